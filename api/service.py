"""The API process."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import threading
from collections.abc import Callable, Generator

import uvicorn

from api.app import create_app
from api.config import ApiConfig
from api.context import Context
from model.clock import Clock
from model.errors import Unavailable

log = logging.getLogger("holdfast.api")

STOP_LOOK_S = 0.05
GRACE_S = 1
"""How long answers in progress may take once we stop; event streams are ended at once."""
BACKLOG = 256


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
        If the port is taken.
    """
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
        )
    )
    if on_listening is not None:
        on_listening(listener.getsockname()[1])
    asyncio.run(_serve(server, listener, app.state.context, stop))


def listen(host: str, port: int) -> socket.socket:
    """A listening socket; raises `Unavailable` with one sentence."""
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        return socket.create_server((host, port), family=family, backlog=BACKLOG)
    except OSError as error:
        raise Unavailable(f"Cannot listen on {host} port {port}: {error.strerror or error}.") from error


async def _serve(
    server: uvicorn.Server, listener: socket.socket, context: Context, stop: threading.Event
) -> None:
    async def wait_for_stop() -> None:
        while not stop.is_set():
            await asyncio.sleep(STOP_LOOK_S)
        # Before uvicorn waits for its connections: an open stream would hold it up.
        context.hub.end_streams()
        server.should_exit = True

    watcher = asyncio.create_task(wait_for_stop())
    try:
        await server.serve(sockets=[listener])
    finally:
        watcher.cancel()
