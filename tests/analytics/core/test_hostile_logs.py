"""Whatever a file holds, it gets a verdict or one clear sentence: logs that a generator spoils."""

from __future__ import annotations

import gzip
import json
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from analytics.core.describe import describe
from analytics.core.diagnose import judge_file
from analytics.core.log_options import options_from_text
from analytics.core.picture import picture
from analytics.core.plot import draw, to_svg
from model.errors import HoldfastError

SOON = settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])

ODD_CELLS = st.sampled_from(
    [
        "", " ", "OL", "nan", "inf", "-inf", "> 1000", "<1", "1,5", "1.234,5", "1,234", "1e400", "-0",
        "10:05", "10:05:00", "25:61:61", "2026-02-30", "03/04/2026", "31.12.99 23:59:60", "0001-01-01",
        "9999-12-31T23:59", "1_000", "9" * 400, "१२३", "½", "\ufeff", '"', '""', "a,b", ";", "#", "=1+1",
        "0x10", "Infinity", "1e-400", "-9999", "20260301T100000Z", "Mar 14 10:00:00 2026", "1772359200",
        "1772359200000000000", "null", "--", "+", ".", "e5", "500 micron",
        "1 Torr", "5 psig", "\udcff", "\x1b[31m", "\x85", "\u2028",
    ]
)  # fmt: skip
HEADERS = st.sampled_from(
    ["time", "Date", "Time (s)", "time (ms)", "t", "pressure", "pressure (mbar)", "p/Pa", "vacuum [micron]",
     "P (psig)", "temperature", "Temp (°F)", "valve", "unit", "elapsed (mm:ss)", "",
     '"time"', "pressure (Pa)"]
)  # fmt: skip


def judged(data: bytes, **options: Any) -> dict[str, Any] | None:
    """Judge a file as the command does, in words, in JSON and as a picture; None if it is refused."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        path.write_bytes(data)
        try:
            found = judge_file(path, options_from_text(**options))
        except HoldfastError as error:
            assert re.fullmatch(r"\S.*[.?]", str(error))  # noqa: PT017 - most files are no errors
            return None
        text = json.dumps(found.result, allow_nan=False)
        describe(found.result, picture(found.series, found.result, "micron"))
        assert to_svg(draw(found.series, found.result, "Pa", path.name)).endswith("</svg>\n")
        result: dict[str, Any] = json.loads(text)
        return result


@SOON
@given(st.binary(max_size=3000))
@example(b"")
@example(b"\n\r\n")
@example(b"\xff\xfe")
@example(b"\xff\xfe\x00")
@example(b"\x1f\x8b")
@example(gzip.compress(b"", mtime=0))
def test_bytes_of_any_kind(data: bytes) -> None:
    judged(data)


@SOON
@given(
    st.text(max_size=400), st.sampled_from(["utf-8", "utf-16", "utf-16-be", "utf-32", "latin-1", "cp1252"])
)
def test_text_after_a_good_header(text: str, encoding: str) -> None:
    judged(f"time,pressure\n0,5\n1,5\n{text}".encode(encoding, "replace"))


@SOON
@given(
    st.lists(HEADERS, min_size=1, max_size=5),
    st.lists(
        st.lists(ODD_CELLS | st.floats().map(str) | st.integers(-5, 5000).map(str), max_size=6), max_size=40
    ),
    st.sampled_from([",", ";", "\t", "|", " "]),
    st.sampled_from(["\n", "\r\n", "\r", "\n\n"]),
    st.booleans(),
)
def test_tables_of_odd_cells(
    header: list[str], rows: list[list[str]], divider: str, end: str, all_through: bool
) -> None:
    good = [f"{at},{5 + at}".replace(",", divider) for at in range(20)]
    lines = [divider.join(["time", "pressure", *header]), *(divider.join(row) for row in rows), *good]
    data = end.join(lines).encode("utf-8", "surrogateescape")
    judged(data, whole_file_is_hold=all_through)


@st.composite
def spoilt(draw: st.DrawFn) -> bytes:
    """A whole log of a pull-down and a rise; some cells are odd, some lines cut, doubled or out of order."""
    n = draw(st.integers(2, 160))
    interval = draw(st.sampled_from([0.1, 1.0, 10.0, 60.0]))
    turn = draw(st.integers(0, n))
    slope = draw(st.floats(-5, 5000))
    unit, scale = draw(st.sampled_from([("Pa", 1.0), ("mbar", 0.01), ("Torr", 0.0075), ("micron", 7.5)]))
    values = [40 + 100_000 * 0.5**i if i < turn else 40 + slope * interval * (i - turn) for i in range(n)]
    kinds: dict[str, Callable[[int], str]] = {
        "from start": lambda i: f"{i * interval:.1f}",
        "Unix": lambda i: f"{1_772_359_200 + i * interval:.1f}",
        "ISO": lambda i: (
            f"2026-03-01T{int(i * interval) // 3600 % 24:02d}:{int(i * interval) // 60 % 60:02d}:"
            f"{int(i * interval) % 60:02d}Z"
        ),
    }
    written = kinds[draw(st.sampled_from(sorted(kinds)))]
    lines = [f"{written(i)},{value * scale:.4g}" for i, value in enumerate(values)]
    for _ in range(draw(st.integers(0, 6))):
        at = draw(st.integers(0, len(lines) - 1))
        spoil = draw(st.sampled_from(["cell", "time", "cut", "double", "swap", "drop"]))
        if spoil == "cell":
            lines[at] = f"{written(at)},{draw(ODD_CELLS)}"
        elif spoil == "time":
            lines[at] = f"{draw(ODD_CELLS)},5"
        elif spoil == "cut":
            lines[at] = lines[at][: draw(st.integers(0, 6))]
        elif spoil == "double":
            lines.insert(at, lines[at])
        elif spoil == "swap":
            lines[at], lines[-1] = lines[-1], lines[at]
        elif len(lines) > 1:
            del lines[at]
    text = "\n".join([f"time,pressure ({unit})", *lines])
    return text.encode("utf-8", "surrogateescape")


@SOON
@given(
    spoilt(),
    st.fixed_dictionaries(
        {},
        optional={
            "volume": st.just("12 L"),
            "target": st.sampled_from(["500 micron", "1 Pa"]),
            "limit": st.sampled_from(["1000 micron", "1 Pa"]),
            "rise": st.just("100 Pa"),
            "hold": st.sampled_from(["1 s", "10 min", "3 d"]),
        },
    ),
    st.sampled_from([{}, {"whole_file_is_hold": True}, {"isolated_at": "30"}]),
)
def test_spoilt_logs(data: bytes, options: dict[str, str], closing: dict[str, Any]) -> None:
    result = judged(data, **options, **closing)
    if result is not None and result["hold"] is not None:
        assert result["hold"]["verdict"] in ("passed", "failed", "inconclusive")
        assert result["hold"] in result["holds"]
