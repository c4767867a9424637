"""A thread that does one thing after another, while whoever asked for them does something else."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future
from queue import SimpleQueue
from typing import Generic, TypeVar

T = TypeVar("T")


class Aside(threading.Thread, Generic[T]):
    """Does what it is asked for, in order.

    A daemon, unlike the threads of an executor: a database that does not answer keeps no process from ending.
    """

    def __init__(self, name: str) -> None:
        super().__init__(name=name, daemon=True)
        self._asked: SimpleQueue[tuple[Callable[[], T], Future[T]] | None] = SimpleQueue()

    def do(self, what: Callable[[], T], then: Callable[[], None]) -> Future[T]:
        """Ask for something; ``then`` is called when it is done or has failed.

        What ``then`` fails by is logged: it ends neither this thread nor what is asked for next.
        """
        future: Future[T] = Future()
        future.add_done_callback(lambda _: then())
        self._asked.put((what, future))
        return future

    def end(self, at_last: Callable[[], None]) -> None:
        """End when all that was asked for is done, and this; not waited for."""
        self._at_last = at_last
        self._asked.put(None)

    def run(self) -> None:
        while (asked := self._asked.get()) is not None:
            what, future = asked
            try:
                future.set_result(what())
            except BaseException as error:
                future.set_exception(error)
        self._at_last()
