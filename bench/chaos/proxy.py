"""A TCP proxy that breaks connections: reset, black hole, half-close, delay, or at a chosen message."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from bench.chaos.watch import Blind, Moment, Seen, Watch

Address = Path | int
"""A unix socket, or a port of this machine."""

CHUNK = 1 << 16


@dataclass(eq=False)
class Pipe:
    """One connection through the proxy."""

    client: asyncio.StreamWriter
    server: asyncio.StreamWriter
    watch: Watch
    door: int = 0
    """Number of the port at which it came in."""
    frozen: bool = False
    """Nothing passes any more, and nobody is told."""
    mute: set[bool] = field(default_factory=set)
    """Directions that were half-closed: what comes is thrown away."""
    ended: asyncio.Event = field(default_factory=asyncio.Event)

    def reset(self) -> None:
        """Break it at once, so that both ends see a reset and lose what is on its way."""
        self.ended.set()
        for writer in (self.client, self.server):
            sock = writer.get_extra_info("socket")
            if sock is not None and sock.family == socket.AF_INET:
                with contextlib.suppress(OSError):
                    # Lingering for no time makes close(2) send a reset: socket(7).
                    sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            writer.transport.abort()

    def half_close(self, upward: bool) -> None:
        """Tell one end that the other has said all, though it has not."""
        self.mute.add(upward)
        with contextlib.suppress(OSError, RuntimeError):
            (self.server if upward else self.client).write_eof()


def _unset() -> asyncio.Future[tuple[Pipe, Seen]]:
    return asyncio.get_running_loop().create_future()


@dataclass(eq=False)
class Trap:
    """Waits for a message, and freezes the connection on which it comes.

    Parameters
    ----------
    moment : Moment
        What it waits for.
    let_through : bool
        Whether the message itself still arrives; no answer will.
    """

    moment: Moment
    let_through: bool = False
    hit: asyncio.Future[tuple[Pipe, Seen]] = field(default_factory=_unset)


class Proxy:
    """Listening ports of this machine before a server.

    Parameters
    ----------
    name : str
        The two that it stands between.
    server : Address
        Where the server listens.
    watch : callable
        Makes what understands a connection.
    doors : int
        How many ports, so that one knows who comes.
    """

    def __init__(
        self, name: str, server: Address, watch: Callable[[], Watch] = Blind, doors: int = 1
    ) -> None:
        self.name = name
        self.ports = [0] * doors
        self.delay_s = 0.0
        self.seen: Counter[Moment] = Counter()
        self.unknown_commits = 0
        self.pipes: set[Pipe] = set()
        self.trap: Trap | None = None
        self._server = server
        self._watch = watch
        self._bright = asyncio.Event()
        self._bright.set()
        self._listeners: list[asyncio.Server] = []
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        """Listen on free ports."""
        for door in range(len(self.ports)):
            listener = await asyncio.start_server(partial(self._accept, door), "127.0.0.1", 0)
            self._listeners.append(listener)
            self.ports[door] = int(listener.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        """Close all."""
        for listener in self._listeners:
            listener.close()
        self.reset()
        for task in set(self._tasks):
            task.cancel()

    @property
    def port(self) -> int:
        """The first."""
        return self.ports[0]

    def reset(self) -> None:
        """Break every connection."""
        for pipe in set(self.pipes):
            pipe.reset()

    def swallow(self, dark: bool) -> None:
        """A black hole begins or ends: connections stand, new ones are made, and nothing arrives."""
        if dark:
            self._bright.clear()
        else:
            self._bright.set()

    async def _accept(self, door: int, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        try:
            await self._carry(door, reader, writer)
        except (OSError, asyncio.CancelledError):
            writer.transport.abort()
        finally:
            self._tasks.discard(task)

    async def _carry(self, door: int, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if isinstance(self._server, Path):
            back, forth = await asyncio.open_unix_connection(self._server)
        else:
            back, forth = await asyncio.open_connection("127.0.0.1", self._server)
        pipe = Pipe(writer, forth, self._watch(), door)
        self.pipes.add(pipe)
        try:
            await asyncio.gather(self._pump(pipe, reader, forth, True), self._pump(pipe, back, writer, False))
        finally:
            self.pipes.discard(pipe)
            self.unknown_commits += pipe.watch.unknown
            pipe.ended.set()
            for end in (writer, forth):
                end.close()

    async def _pump(
        self, pipe: Pipe, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, upward: bool
    ) -> None:
        try:
            while data := await reader.read(CHUNK):
                if self.delay_s:
                    await asyncio.sleep(self.delay_s)
                await self._bright.wait()
                for message, seen in pipe.watch.feed(upward, data):
                    if not await self._pass(pipe, writer, message, seen, upward):
                        return
                await writer.drain()
            if not pipe.frozen:
                writer.write_eof()
        except (OSError, RuntimeError):
            pipe.reset()

    async def _pass(
        self, pipe: Pipe, writer: asyncio.StreamWriter, message: bytes, seen: Seen | None, upward: bool
    ) -> bool:
        """Hand a message on, unless the connection is frozen or a trap waits for it."""
        if pipe.frozen:
            await pipe.ended.wait()
        if pipe.ended.is_set():
            return False
        caught = False
        if seen is not None:
            self.seen[seen.moment] += 1
            trap = self.trap
            if trap is not None and trap.moment is seen.moment:
                self.trap = None
                caught = pipe.frozen = True
                if not trap.let_through:
                    pipe.watch.unknown = pipe.watch.unknown and seen.moment is not Moment.COMMIT
                if not trap.hit.done():
                    trap.hit.set_result((pipe, seen))
                if not trap.let_through:
                    await pipe.ended.wait()
                    return False
        if upward not in pipe.mute:
            writer.write(message)
        if caught:
            await pipe.ended.wait()
            return False
        return True
