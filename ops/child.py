"""The inside of a worker: ``python -m ops.child ROOM``.

It loads the room's modules, waits for its order on standard input, and runs until SIGTERM or until that
pipe closes, which means that whoever started it is gone.
"""

from __future__ import annotations

import logging
import os
import signal
import sys
import threading

from model.errors import HoldfastError
from ops.rooms import Wiring, load, run

log = logging.getLogger("holdfast")

LAST_PATIENCE_S = 5.0


def main() -> None:
    """Run one room."""
    room = sys.argv[1]
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    load(room)
    order = sys.stdin.readline()
    if not order or stop.is_set():
        return
    threading.Thread(target=watch_parent, args=(stop,), daemon=True).start()
    try:
        run(room, Wiring.parse(order), stop)
    except HoldfastError as error:
        log.critical("ends: %s", error)
        sys.exit(1)


def watch_parent(stop: threading.Event) -> None:
    """Stop when the parent's end of the pipe closes, for certain."""
    try:
        sys.stdin.read()
    finally:
        stop.set()
    threading.Event().wait(LAST_PATIENCE_S)
    os._exit(1)


if __name__ == "__main__":
    main()
