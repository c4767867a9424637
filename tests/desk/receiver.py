"""A real HTTP server that receives webhooks, answers as it is told, and can hang."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterable
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


@dataclass(frozen=True, slots=True)
class Answer:
    """Status and headers."""

    status: int = 204
    headers: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Received:
    """One request."""

    path: str
    content_type: str
    body: dict[str, Any]


class Receiver:
    """Answers with ``script`` first, then always 204; while ``hanging`` is set it reads and keeps silent."""

    def __init__(self, script: Iterable[Answer] = ()) -> None:
        self.script = list(script)
        self.received: list[Received] = []
        self.hanging = threading.Event()
        self._let_go = threading.Event()
        self._lock = threading.Lock()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                receiver._take(self)

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_port}/hook?access_token=very-secret"

    @property
    def ids(self) -> list[str]:
        """Ids of the events in the order of arrival."""
        with self._lock:
            return [one.body["id"] for one in self.received]

    def start(self) -> None:
        self._thread.start()

    def let_go(self) -> None:
        """End the hanging: for those who wait, and from now on."""
        self.hanging.clear()
        self._let_go.set()

    def stop(self) -> None:
        self.let_go()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def _take(self, handler: BaseHTTPRequestHandler) -> None:
        body = json.loads(handler.rfile.read(int(handler.headers["Content-Length"])))
        hang = self.hanging.is_set()
        with self._lock:
            self.received.append(Received(handler.path, handler.headers["Content-Type"], body))
            answer = self.script.pop(0) if self.script and not hang else Answer()
        if hang:
            self._let_go.wait()
        try:
            handler.send_response(answer.status)
            for name, value in answer.headers.items():
                handler.send_header(name, value)
            handler.send_header("Content-Length", "0")
            handler.end_headers()
        except OSError:
            pass  # the sender did not wait
