"""The MicroPython gateway under MicroPython itself (its WebAssembly port, from npm), with pins in memory."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from tests.fix_broker import debian_program
from tests.gateways.contract import faults
from tests.gateways.rig import PROGRAMS

HERE = Path(__file__).parent
PACKAGES = HERE.parent / "contract" / "node_modules"


@pytest.mark.node
def test_it_keeps_sends_forgets_and_obeys_under_micropython() -> None:
    if not (PACKAGES / "@micropython").exists():
        pytest.skip("npm has not installed MicroPython")
    paths = (HERE / "real.mjs", PACKAGES, PROGRAMS, HERE / "board" / "night.micropython")
    command = [debian_program("node"), *map(str, paths)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr[-1000:]
    lines = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
    result, told = lines[0], lines[1:]
    assert result["held"] >= 10
    assert result["left"] == [], "what is receipted is forgotten"
    assert (result["energised"], result["after"]) == (1, 0), "the valve opens, and closes when the pump stops"
    kinds = {message["topic"].rsplit("/", 1)[1] for message in told}
    assert kinds == {"presence", "late", "data", "outcome"}
    for message in told:
        assert faults(message["topic"], message["payload"].encode()) == []
    late = [json.loads(message["payload"]) for message in told if message["topic"].endswith("/late")]
    assert sum(len([record for record in pack if "t" in record]) for pack in late) == result["held"]
