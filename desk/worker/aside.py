"""Blocking work beside an event loop, in a thread of its own.

Not a pool of the library's: its threads are waited for at the end of the process, and a receiver that hangs
must not hold that up.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")


class Aside(Generic[T]):
    """One call in a thread; nobody can cut it short, but nobody has to wait for it either."""

    def __init__(self, function: Callable[[], T]) -> None:
        loop = asyncio.get_running_loop()
        self.result: asyncio.Future[T] = loop.create_future()
        self._thread = threading.Thread(target=self._run, args=(loop, function), daemon=True, name="message")
        self._thread.start()

    @property
    def goes_on(self) -> bool:
        """Whether its thread still works."""
        return self._thread.is_alive()

    def _run(self, loop: asyncio.AbstractEventLoop, function: Callable[[], T]) -> None:
        result: T | None = None
        failure: Exception | None = None
        try:
            result = function()
        except Exception as error:
            failure = error
        # The loop may be gone meanwhile, and with it whoever waited.
        with contextlib.suppress(RuntimeError):
            loop.call_soon_threadsafe(self._tell, result, failure)

    def _tell(self, result: T | None, failure: Exception | None) -> None:
        if self.result.done():
            return
        if failure is not None:
            self.result.set_exception(failure)
        else:
            self.result.set_result(result)  # type: ignore[arg-type]
