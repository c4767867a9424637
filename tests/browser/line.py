"""A line to the server that can be cut as radio is: nothing comes any more, and nobody is told so."""

from __future__ import annotations

import socket
import threading
from contextlib import suppress
from urllib.parse import urlsplit


class Line:
    """Passes connections on to a server on this machine until it is cut."""

    def __init__(self, address: str) -> None:
        self._server = ("127.0.0.1", urlsplit(address).port or 80)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._up = threading.Event()
        self._up.set()
        self._sockets: list[socket.socket] = []
        self.address = f"http://127.0.0.1:{self._listener.getsockname()[1]}"
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """From now on nothing passes; connections stay as they are."""
        self._up.clear()

    def mend(self) -> None:
        """What was open is lost, new connections pass."""
        self._drop()
        self._up.set()

    def close(self) -> None:
        """End it."""
        self._listener.close()
        self._drop()

    def _drop(self) -> None:
        while self._sockets:
            one = self._sockets.pop()
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                server = socket.create_connection(self._server)
                self._sockets += [client, server]
                for pair in ((client, server), (server, client)):
                    threading.Thread(target=self._pass, args=pair, daemon=True).start()

    def _pass(self, source: socket.socket, sink: socket.socket) -> None:
        with suppress(OSError):
            while data := source.recv(65_536):
                if self._up.is_set():
                    sink.sendall(data)
            if self._up.is_set():
                sink.shutdown(socket.SHUT_WR)
