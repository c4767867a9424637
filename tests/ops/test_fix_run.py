"""The switches of a test run, tried on a run of their own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SAMPLE = """
import pytest
@pytest.mark.xfail(strict=True)
def test_known(): assert False
def test_skipped(): pytest.skip("no such program")
def test_seeded(rng): print("drawn", rng.random())
"""


def run(folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    (folder / "test_sample.py").write_text(SAMPLE)
    options = ["-p", "tests.fix_run", "-p", "no:cacheprovider", "-s", "-c", "/dev/null"]
    return subprocess.run(
        [sys.executable, "-m", "pytest", *options, f"--rootdir={folder}", str(folder)],
        cwd=ROOT,
        env={**os.environ, "HOLDFAST_NO_SKIPS": "", **environment},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(("switch", "summary"), [("", "1 skipped"), ("1", "1 failed")])
def test_the_switch_turns_a_skip_into_a_failure(tmp_path: Path, switch: str, summary: str) -> None:
    done = run(tmp_path, HOLDFAST_NO_SKIPS=switch)
    assert summary in done.stdout
    assert "1 xfailed" in done.stdout
    assert (done.returncode != 0) == (switch == "1")
    assert "no such program" in done.stdout or switch == ""


def test_the_printed_seed_repeats_the_numbers(tmp_path: Path) -> None:
    def drawn(seed: str) -> str:
        output = run(tmp_path, HOLDFAST_TEST_SEED=seed).stdout
        assert f"HOLDFAST_TEST_SEED={seed}" in output
        return next(line for line in output.splitlines() if "drawn" in line)

    assert drawn("5") == drawn("5") != drawn("6")
