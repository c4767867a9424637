"""The commands of the page on judging a log do what the page says."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "how-to" / "judge-a-log.md"
BLOCK = re.compile(r"^```(sh|text)\n(.*?)^```$", re.M | re.S)


def holdfast_in(folder: Path) -> dict[str, str]:
    """An environment in which ``holdfast`` is this tree's."""
    command = folder / "bin" / "holdfast"
    command.parent.mkdir()
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m ops.cli "$@"\n')
    command.chmod(0o755)
    path = f"{command.parent}{os.pathsep}{os.environ['PATH']}"
    return {**os.environ, "PATH": path, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}


def test_the_page(tmp_path: Path) -> None:
    work = tmp_path / "work"
    work.mkdir()
    environment = holdfast_in(tmp_path)
    said, shown = "", 0
    for kind, text in BLOCK.findall(PAGE.read_text()):
        if kind == "sh":
            ran = subprocess.run(
                ["sh", "-e", "-c", text],
                cwd=work,
                env=environment,
                capture_output=True,
                text=True,
                check=False,
            )
            said = ran.stdout + ran.stderr
            assert ran.returncode == 0, f"{text}\n{said}"
            continue
        for line in text.splitlines():
            assert line in said
            shown += 1
    assert shown > 8
    assert json.loads((work / "leak.json").read_text())["hold"]["cause"] == "leak"
    assert (work / "leak.svg").read_text().startswith("<svg ")
    assert (work / "leak.png").read_bytes().startswith(b"\x89PNG")
