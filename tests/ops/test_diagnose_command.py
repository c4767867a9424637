"""``holdfast diagnose``: many logs, pictures, the bar, and what a terminal cannot show."""

from __future__ import annotations

import io
import json
import os
import pty
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from analytics.core.plot import CURVE, HEIGHT, LIMIT, WIDTH
from ops import cli

ROOT = Path(__file__).parents[2]


def leaking(path: Path, pa_per_s: float = 0.5, unit: str = "Pa") -> Path:
    rows = (f"{t},{101_325 * 0.97**t + 40 + pa_per_s * max(t - 1200, 0):.2f}" for t in range(0, 3000, 5))
    path.write_text(f"time,pressure ({unit})\n" + "\n".join(rows), encoding="utf-8")
    return path


def holdfast(monkeypatch: pytest.MonkeyPatch, *arguments: str | Path) -> int:
    monkeypatch.setattr(sys, "argv", ["holdfast", "diagnose", *map(str, arguments)])
    with pytest.raises(SystemExit) as end:
        cli.main()
    return int(end.value.code or 0)


def test_an_svg_shows_curve_limit_and_verdict(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    log, drawn = leaking(tmp_path / "a <&> b.csv"), tmp_path / "curve.svg"
    assert holdfast(monkeypatch, log, "--plot", drawn, "--show-unit", "hPa", "--json") == 0
    assert json.loads(capsys.readouterr().out)["hold"]["verdict"] == "failed"
    root = ElementTree.fromstring(drawn.read_text(encoding="utf-8"))
    space = "{http://www.w3.org/2000/svg}"
    words = [element.text or "" for element in root.iter(f"{space}text")]
    assert words.count("hPa") == 1
    assert "a <&> b.csv" in words
    assert "hold: failed" in words
    assert [word for word in words if word.startswith("Failed: ") and "micron" not in word]
    lines = {element.get("stroke"): element for element in root.iter(f"{space}polyline")}
    points = [tuple(map(float, pair.split(","))) for pair in lines[CURVE].attrib["points"].split()]
    assert len(points) > 300
    assert all(0 <= x <= WIDTH and 0 <= y <= HEIGHT for x, y in points)
    # Down, then up: on the screen y grows downwards.
    lowest = max(points, key=lambda point: point[1])
    assert points[0][1] < lowest[1] > points[-1][1]
    assert LIMIT in lines


def test_a_png_shows_the_same(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    drawn = tmp_path / "curve.PNG"
    assert holdfast(monkeypatch, leaking(tmp_path / "log.csv"), "--plot", drawn) == 0
    with Image.open(drawn) as image:
        pixels = np.array(image.convert("RGB"))
    assert pixels.shape == (2 * HEIGHT, 2 * WIDTH, 3)
    for colour in (CURVE, LIMIT):
        rgb = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
        assert np.count_nonzero((pixels == rgb).all(axis=2)) > 500


def test_a_picture_for_each_of_many_logs(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    logs = [leaking(tmp_path / "one.csv"), leaking(tmp_path / "other" / "one.csv"), tmp_path / "none.csv"]
    assert holdfast(monkeypatch, *logs, "--plot", tmp_path / "p.svg") == 2
    assert sorted(path.name for path in tmp_path.glob("p*")) == ["p-one-2.svg", "p-one.svg"]


@pytest.mark.parametrize(
    ("plot", "said"),
    [("p.jpg", "must end in .svg or .png"), ("no/p.svg", "cannot be written"), ("log.svg", "is a log")],
)
def test_a_picture_that_cannot_be_made_gets_one_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path, plot: str, said: str
) -> None:
    log = leaking(tmp_path / "log.svg")
    before = log.read_bytes()
    assert holdfast(monkeypatch, log, "--plot", tmp_path / plot) == 2
    printed = capsys.readouterr()
    assert said in printed.err
    assert printed.err.count("\n") == 1
    assert log.read_bytes() == before


def test_a_bar_on_a_terminal_never_gets_into_the_output(tmp_path: Path) -> None:
    logs = [leaking(tmp_path / "first.csv"), leaking(tmp_path / "second.csv")]
    main, terminal = pty.openpty()
    try:
        ran = subprocess.Popen(
            [sys.executable, "-m", "ops.cli", "diagnose", *map(str, logs), "--json"],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=terminal, env={**os.environ, "TERM": "xterm"},
        )  # fmt: skip
        os.close(terminal)
        seen = b""
        try:
            while piece := os.read(main, 4096):
                seen += piece
        except OSError:
            # That is how the end of a terminal is read.
            pass
        out, _ = ran.communicate()
    finally:
        os.close(main)
    assert b"1 of 2" in seen
    assert b"second.csv" in seen
    assert [json.loads(line)["file"] for line in out.splitlines()] == [str(log) for log in logs]


def test_no_bar_where_nobody_looks(tmp_path: Path) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "ops.cli", "diagnose", str(leaking(tmp_path / "log.csv"))],
        cwd=ROOT, capture_output=True, check=True, env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )  # fmt: skip
    # A terminal of few characters gets marks of question where it has none.
    assert ran.stderr == b""
    assert b"?" in ran.stdout
    assert b"Failed: " in ran.stdout


def test_names_that_are_no_text(tmp_path: Path) -> None:
    path = Path(os.fsdecode(bytes(tmp_path) + b"/\xff\xfe.csv"))
    leaking(path)
    ran = subprocess.run(
        [sys.executable, "-m", "ops.cli", "diagnose", path, path, "--json", "--plot", tmp_path / "p.svg"],
        cwd=ROOT, capture_output=True, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    assert [json.loads(line)["hold"]["verdict"] for line in io.BytesIO(ran.stdout)] == ["failed"] * 2
