"""Logs as loggers and spreadsheets write them, and files that are no logs."""

from __future__ import annotations

from pathlib import Path

import pytest

from analytics.core.series_csv import parse_time_us, read_series
from model.errors import BadInput
from model.reading import Valve
from tests.analytics.core.curves import MICRON


def written(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "log.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def pressures(tmp_path: Path, text: str | bytes, unit: str | None = None) -> list[float | None]:
    return [row.pressure_pa for row in read_series(written(tmp_path, text), unit).rows]


def test_plain(tmp_path: Path) -> None:
    series = read_series(written(tmp_path, "time,pressure\n0,100\n10,90\n"))
    assert [(row.time_us, row.pressure_pa) for row in series.rows] == [(0, 100), (10_000_000, 90)]
    assert (series.absolute, series.unit, series.unit_assumed) == (False, "Pa", True)


@pytest.mark.parametrize(
    "text",
    [
        "time;pressure (Pa)\r\n0;100,5\r\n10;90,25\r\n",
        "\ufefftime,pressure [Pa]\r\n0,100.5\r\n10,90.25\r\n",
        "Time\tPressure (Pa)\n0\t100.5\n10\t90.25\n",
        'time,pressure_pa\n"0","100,5"\n"10","90,25"\n',
        "\n\ntime,pressure (pa)\n\n10,90.25\n0,100.5\n\n",
        "no,Time (s),Pressure(Pa),note\n1,0,100.5,x\n2,10,90.25,y\n",
        "time (min),pressure (hPa)\n0,1.005\n0.16666666667,0.9025\n".replace(
            "0.16666666667", "0.1666666666667"
        ),
        "time,pressure (Pa)\n0,100.5\n5,broken\n10,90.25\n",
        "time,pressure (Pa)\n0,100.5\n5,\n10,90.25\n",
    ],
)
def test_one_log_in_many_dresses(tmp_path: Path, text: str) -> None:
    assert pressures(tmp_path, text) == pytest.approx([100.5, 90.25])


def test_utf_16_of_a_spreadsheet(tmp_path: Path) -> None:
    assert pressures(tmp_path, "time\tpressure\n0\t1\n9\t2\n".encode("utf-16")) == [1, 2]


def test_unit_in_the_header_and_the_callers_unit_before_it(tmp_path: Path) -> None:
    text = "time,pressure (micron)\n0,500\n1,500\n"
    assert pressures(tmp_path, text) == pytest.approx([500 * MICRON] * 2)
    assert pressures(tmp_path, text, "Pa") == [500, 500]


def test_a_log_that_begins_at_an_atmosphere_of_microns_is_in_microns(tmp_path: Path) -> None:
    series = read_series(written(tmp_path, "time,pressure\n0,759000\n1,500\n"))
    assert (series.unit, series.unit_assumed) == ("micron", True)


def test_times_of_the_calendar(tmp_path: Path) -> None:
    for text in (
        "time,pressure\n2026-03-01T10:00:00Z,1\n2026-03-01T10:00:10+00:00,2\n",
        "time,pressure\n2026-03-01 10:00:00,1\n2026-03-01 10:00:10,2\n",
        "time,pressure\n1772359200,1\n1772359210,2\n",
        "time,pressure\n1772359200000,1\n1772359210000,2\n",
    ):
        series = read_series(written(tmp_path, text))
        assert series.absolute
        assert [row.time_us for row in series.rows] == [1_772_359_200_000_000, 1_772_359_210_000_000]


def test_of_two_values_for_one_time_the_smaller_comes_first(tmp_path: Path) -> None:
    assert pressures(tmp_path, "time,pressure\n0,5\n1,9\n1,4\n2,1\n") == [5, 4, 9, 1]


def test_temperature_and_valve(tmp_path: Path) -> None:
    series = read_series(
        written(tmp_path, "time,pressure,temperature,valve\n0,5,20,open\n1,5,,\n2,5,21.5,Closed\n")
    )
    assert [row.temperature_k for row in series.rows] == [293.15, None, pytest.approx(294.65)]
    assert [row.valve for row in series.rows] == [Valve.OPEN, None, Valve.CLOSED]
    fahrenheit = read_series(written(tmp_path, "time,pressure,temperature (°F)\n0,5,68\n1,5,68\n"))
    assert fahrenheit.rows[0].temperature_k == pytest.approx(293.15)


def test_over_range_in_words(tmp_path: Path) -> None:
    series = read_series(written(tmp_path, "time,pressure\n0,5\n1,OL\n2,6\n"))
    assert [(row.pressure_pa, row.over) for row in series.rows] == [(5, False), (None, True), (6, False)]


def test_rows_that_cannot_be_read_are_counted(tmp_path: Path) -> None:
    text = "time,pressure,temperature\n0,5,20\n1,inf,\n2,nan,20\n?,5,20\n1e30,5,20\n3,,20\n4,6,20\n\n5,OL,\n"
    series = read_series(written(tmp_path, text))
    assert series.skipped == 4
    assert [row.over for row in series.rows] == [False, False, False, False, True]
    # A temperature is good without a pressure.
    assert [row.pressure_pa for row in series.rows] == [5, None, None, 6, None]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("\n \n", "is empty"),
        ("time,pressure\n", "0 readable pressure readings"),
        ("time,pressure\n0,5\n", "1 readable pressure readings"),
        ("0,5\n1,6\n", "needs a header"),
        ("when,what\n0,5\n1,6\n", "needs a header"),
        ("time,pressure\nyesterday,5\ntoday,6\n", "line 2: 'yesterday' is no time"),
        ("time,pressure\n0,a\n1,b\n2,c\n", "line 2: 'a' is no pressure"),
        ("time,pressure\n0,5\n0,6\n", "one time only"),
        ("time,pressure\n0,5\n1772359200,6\n", "mixes times"),
        ("time,pressure (Pa)\n0,5\n1,9e9\n", "line 3: 9e9 Pa is no absolute pressure"),
        ("time,pressure (Pa)\n0,5\n1,-50\n", "line 3: -50 Pa is no absolute pressure"),
        (b"\x00\x01\x02PK", "is no text file"),
        (b"time,pressure\n" + b'0,"' + b"9" * 200_000 + b'"\n', "is no CSV file"),
    ],
)
def test_a_file_that_cannot_be_read_gets_one_sentence(tmp_path: Path, text: str | bytes, said: str) -> None:
    with pytest.raises(BadInput) as raised:
        read_series(written(tmp_path, text))
    assert said in str(raised.value)
    assert str(raised.value).endswith(".") or str(raised.value).endswith("?")
    assert "\n" not in str(raised.value)


def test_a_file_that_is_not_there_gets_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"cannot be read: No such file"):
        read_series(tmp_path / "none.csv")


def test_an_unknown_unit_gets_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="furlong"):
        read_series(written(tmp_path, "time,pressure\n0,5\n1,5\n"), "furlong")


def test_a_moment_in_the_files_own_writing(tmp_path: Path) -> None:
    series = read_series(written(tmp_path, "time,pressure\n1772359200,1\n1772359260,2\n"))
    for text in ("10", "1772359210", "2026-03-01T10:00:10Z"):
        assert parse_time_us(text, series) == 1_772_359_210_000_000
    for text in ("soon", "2020-01-01", "100"):
        with pytest.raises(BadInput):
            parse_time_us(text, series)
