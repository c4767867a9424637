"""The API process."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import socket
import ssl
import threading
import time
from collections.abc import Callable, Generator
from pathlib import Path

import uvicorn

from api.app import create_app
from api.config import ApiConfig
from api.context import Context
from model.clock import Clock
from model.errors import ThreadDied, Unavailable

log = logging.getLogger("holdfast.api")

STOP_LOOK_S = 0.05
GRACE_S = 1
"""How long answers in progress may take once we stop; event streams are ended at once."""
BACKLOG = 256
CERTIFICATE_LOOK_S = 2.0


class _Server(uvicorn.Server):
    """Leaves signals to whoever starts the process."""

    @contextlib.contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        yield


def run(
    config: ApiConfig,
    clock: Clock,
    stop: threading.Event,
    on_listening: Callable[[int], None] | None = None,
) -> None:
    """Answer until ``stop`` is set.

    Parameters
    ----------
    on_listening : callable, optional
        Told the port as soon as connections are taken.

    Raises
    ------
    Unavailable
        If the port is taken, or the certificate cannot be used.
    ThreadDied
        If the listener at the database ended; start the process anew.
    """
    certificate = Certificate.of(config)
    listener = listen(config.host, config.port)
    app = create_app(config, clock)
    server = _Server(
        uvicorn.Config(
            app,
            access_log=False,
            log_config=None,
            log_level="warning",
            lifespan="on",
            server_header=False,
            timeout_graceful_shutdown=GRACE_S,
            timeout_keep_alive=30,
            ssl_context_factory=None if certificate is None else lambda *_: certificate.context,
        )
    )
    if on_listening is not None:
        on_listening(listener.getsockname()[1])
    asyncio.run(_serve(server, listener, app.state.context, stop, certificate))


class Certificate:
    """What we show to browsers: read again when its file changes, so that a renewed one needs no restart."""

    def __init__(self, certificate: Path, key: Path) -> None:
        self._files = (certificate, key)
        self.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self.context.minimum_version = ssl.TLSVersion.TLSv1_2
        self._stamp = self._stamps()
        try:
            self.context.load_cert_chain(certificate, key)
        except OSError as error:  # SSLError too
            raise Unavailable(
                f"The certificate {certificate} and its key cannot be used: {error.strerror or error}."
            ) from error
        self._looked = time.monotonic()

    @classmethod
    def of(cls, config: ApiConfig) -> Certificate | None:
        """The one that the configuration names, if any."""
        return cls(config.certificate, config.key) if config.certificate and config.key else None

    def look(self) -> None:
        """Take over changed files, seldom looking; call it as often as you like."""
        if time.monotonic() - self._looked < CERTIFICATE_LOOK_S:
            return
        self._looked = time.monotonic()
        stamp = self._stamps()
        if stamp == self._stamp:
            return
        try:
            # On a context of its own first: a pair that does not match would spoil the one in use.
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(*self._files)
            self.context.load_cert_chain(*self._files)
        except OSError as error:
            log.error("the changed certificate cannot be used, the one before goes on: %s", error)
        else:
            log.info("the certificate was read anew")
        self._stamp = stamp

    def _stamps(self) -> tuple[object, ...]:
        found: list[object] = []
        for file in self._files:
            with contextlib.suppress(OSError):
                status = os.stat(file)
                found += [status.st_ino, status.st_mtime_ns]
        return tuple(found)


def listen(host: str, port: int) -> socket.socket:
    """A listening socket; raises `Unavailable` with one sentence."""
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        made = socket.create_server((host, port), family=family, backlog=BACKLOG)
        # Accepted sockets inherit it. Without it an answer's second piece waits 40 ms for a delayed
        # acknowledgement: asyncio sets it only on sockets that were made with their protocol named.
        made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return made
    except OSError as error:
        raise Unavailable(f"Cannot listen on {host} port {port}: {error.strerror or error}.") from error


async def _serve(
    server: uvicorn.Server,
    listener: socket.socket,
    context: Context,
    stop: threading.Event,
    certificate: Certificate | None,
) -> None:
    async def wait_for_stop() -> None:
        try:
            while not stop.is_set() and context.hub.failure is None:
                await asyncio.sleep(STOP_LOOK_S)
                if certificate is not None:
                    certificate.look()
        finally:
            # Before uvicorn waits for its connections: an open stream would hold it up.
            context.hub.end_streams()
            server.should_exit = True

    watcher = asyncio.create_task(wait_for_stop())
    try:
        await server.serve(sockets=[listener])
    finally:
        watcher.cancel()
    if watcher.done() and (failure := watcher.exception()) is not None:
        raise ThreadDied("watcher", failure)
    if context.hub.failure is not None:
        raise ThreadDied("hub", context.hub.failure)
