"""No thread dies silently: whichever ends, its process ends too and says so; a supervisor starts it anew."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ops.certificates import Authority
from ops.rooms import Wiring
from ops.services import EquipmentWatch
from store import database as store_database
from tests.fix_broker import NatsBroker
from tests.waiting import PATIENCE_S, wait_until

PROGRAM = """
import sys
from importlib import import_module
from ops.child import main

room, module, path = sys.argv[1:]
*owners, name = path.split(".")
target = import_module(module)
for owner in owners:
    target = getattr(target, owner)

def breaks(*_, **__):
    raise OverflowError("it breaks here")

setattr(target, name, breaks)
sys.argv = ["child", room]
main()
"""


@pytest.mark.parametrize(
    ("room", "module", "broken", "thread"),
    [
        ("ingest", "ingest.client", "Session._serve", "holdfast-ingest-(live|late)"),
        ("ingest", "ingest.writer", "Inbox.wait", "writer-(live|late)"),
        ("ingest", "ingest.courier", "Courier.round", "courier"),
        ("desk", "desk.worker.courier", "_run", "courier"),
        ("analyse", "analytics.worker.upkeep", "Upkeep._work", "upkeep"),
        ("serve", "api.hub", "Hub._follow", "hub"),
        ("serve", "api.service", "Certificate.look", "watcher"),
    ],
)
def test_a_process_ends_when_one_of_its_threads_does(
    database: str,
    broker: NatsBroker,
    free_port: int,
    tmp_path: Path,
    room: str,
    module: str,
    broken: str,
    thread: str,
) -> None:
    authority = Authority(tmp_path / "tls")
    authority.keep(["localhost"], datetime.now(UTC))
    wiring = Wiring(
        database_url=database,
        mqtt_url=broker.url("holdfast"),
        http_port=free_port,
        webhook_url="http://127.0.0.1:1/",
        certificate=str(authority.pair.certificate),
        key=str(authority.pair.key),
    )
    child = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, room, module, broken],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    assert child.stdin is not None
    assert child.stdout is not None
    try:
        child.stdin.write(wiring.text() + "\n")
        child.stdin.flush()
        assert child.wait(3 * PATIENCE_S) == 1
        said = child.stdout.read()
    finally:
        child.kill()
    assert re.search(f"ends: The thread {thread} ended: it breaks here$", said.splitlines()[-1])


def test_the_watch_on_the_equipment_outlasts_whatever_happens(
    database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    connect, tried = store_database.connect, threading.Event()

    def stumbles(*arguments: object, **more: object) -> object:
        if not tried.is_set():
            tried.set()
            raise OverflowError("it breaks here")
        return connect(*arguments, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(store_database, "connect", stumbles)
    watch = EquipmentWatch(database)
    wait_until(watch.changed.is_set, what="the watch to listen")
    assert tried.is_set()
