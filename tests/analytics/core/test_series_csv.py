"""Logs as loggers and spreadsheets write them, and files that are no logs."""

from __future__ import annotations

import gzip
import math
import os
import threading
from pathlib import Path

import numpy as np
import pytest

from analytics.core.series_csv import Series, parse_time_us, read_series
from model.errors import BadInput
from model.reading import Valve
from physics.types import FloatArray
from tests.analytics.core.curves import MICRON


def written(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "log.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def pressures(tmp_path: Path, text: str | bytes, unit: str | None = None) -> list[float | None]:
    return listed(read_series(written(tmp_path, text), unit).pressure_pa)


def times(series: Series) -> list[float]:
    return [float(time_us / 1e6) for time_us in series.time_us]


def listed(column: FloatArray | None) -> list[float | None]:
    """A column without NaN, which equals nothing."""
    return [] if column is None else [None if math.isnan(value) else value for value in column.tolist()]


def refused(tmp_path: Path, text: str | bytes, unit: str | None = None) -> str:
    with pytest.raises(BadInput) as raised:
        read_series(written(tmp_path, text), unit)
    said = str(raised.value)
    assert said[-1] in ".?"
    assert "\n" not in said
    return said


def test_plain(tmp_path: Path) -> None:
    series = read_series(written(tmp_path, "time,pressure\n0,100\n10,90\n"))
    assert (times(series), listed(series.pressure_pa)) == ([0, 10], [100, 90])
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
        "time,pressure (Pa)\r0,100.5\r10,90.25\r",
        "time,p/Pa\n0,100.5\n10,90.25\n",
        "t,p [hPa]\n0,1.005\n10,.9025\n",
        "time,vacuum hPa\n0,1.005\n10,0.9025\n",
        "Zeit;Druck (Pa)\n0;100,5\n10;90,25\n",
        "sep=;\ntime;pressure (Pa)\n0;100,5\n10;90,25\n",
        "Logger 7, made for us\nSerial,12\n\ntime,pressure (Pa)\n0,100.5\n10,90.25\n",
        "# a comment\n# time pressure(Pa)\n0 100.5\n# another\n10 90.25\n",
        "time | pressure (Pa)\n0 | 100.5\n10 | 90.25\n",
        "time,pressure,unit\n0,100.5,Pa\n10,90.25,Pa\n",
        "time,pressure\n0,100.5 Pa\n10,0.9025 hPa\n",
        'time,pressure (Pa),note\n0,100.5,"never closed\n10,90.25,ok\n',
        "time,pressure (Pa)\n0,100.5\ntime,pressure (Pa)\n10,90.25\n",
        "time,pressure (Pa)\n0,100.5\n\0\0\0\0\n10,9\0\0" + "0.25\n",
        "time,pressure (Pa)\n0,1.005E+2\n10,+90.25\n",
        "time,pressure (Pa),pressure setpoint\n0,100.5,1\n10,90.25,1\n",
        "time,pressure unit,pressure (Pa)\n0,Pa,100.5\n10,Pa,90.25\n",
    ],
)
def test_one_log_in_many_dresses(tmp_path: Path, text: str) -> None:
    assert pressures(tmp_path, text) == pytest.approx([100.5, 90.25])


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-8-sig", "latin-1"])
def test_encodings_of_spreadsheets(tmp_path: Path, encoding: str) -> None:
    # The micro sign, and where there is one the Greek letter, which shares no byte with it.
    mu = "µ" if encoding == "latin-1" else "μ"
    text = f"time\tpressure ({mu}mHg)\ttemperature (°C)\r\n0\t1\t20\r\n9\t2\t20\r\n"
    assert pressures(tmp_path, text.encode(encoding)) == pytest.approx([MICRON, 2 * MICRON])


def test_what_is_no_row_is_not_counted_as_unread(tmp_path: Path) -> None:
    text = "# of a logger\ntime,pressure\n0,5\n# new day\n\n%\n// x\ntime,pressure\n1,6\n,\n"
    assert read_series(written(tmp_path, text)).skipped == 0


def test_a_packed_log_and_one_from_a_pipe(tmp_path: Path) -> None:
    text = b"time,pressure\n" + b"".join(b"%d,%d\n" % (i, i % 7) for i in range(3000))
    plain = read_series(written(tmp_path, text))
    packed = read_series(written(tmp_path, gzip.compress(text)))
    assert np.array_equal(plain.pressure_pa, packed.pressure_pa)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    writer = threading.Thread(target=pipe.write_bytes, args=(text,))
    writer.start()
    piped = read_series(pipe)
    writer.join()
    assert np.array_equal(plain.pressure_pa, piped.pressure_pa)


@pytest.mark.parametrize(
    ("cells", "values"),
    [
        (["1,5", "1.234,5", "1.013"], [1.5, 1234.5, 1013]),
        (["1,234.5", "1,000", "7"], [1234.5, 1000, 7]),
        (["1,234,567", "1,000", "950"], [1_234_567, 1000, 950]),
        (["1,234", "0,950", "2,000"], [1.234, 0.95, 2]),
        (["1'013.25", "1 013,25".replace(",", "."), "1\u202f013.25"], [1013.25] * 3),
        (["\u22120.5", "1E+3", "<2"], [-0.5, 1000, 2]),
    ],
)
def test_marks_in_numbers(tmp_path: Path, cells: list[str], values: list[float]) -> None:
    rows = "".join(f"{i}\t{cell}\n" for i, cell in enumerate(cells))
    assert pressures(tmp_path, "time\tpressure (Pa)\n" + rows) == values


def test_what_a_comma_means_where_it_may_be_both(tmp_path: Path) -> None:
    # Semicolons divide where commas are decimals; commas divide where they are thousands.
    assert pressures(tmp_path, "time;pressure (Pa)\n0;1,234\n1;2,345\n") == [1.234, 2.345]
    assert pressures(tmp_path, 'time,pressure (Pa)\n0,"1,234"\n1,"2,345"\n') == [1234, 2345]
    # Whoever marks thousands marks them everywhere.
    assert pressures(tmp_path, 'time,pressure (Pa)\n0,"1,234"\n1,"2345"\n') == [1.234, 2345]


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
        assert times(series) == [1_772_359_200, 1_772_359_210]


@pytest.mark.parametrize(
    ("cells", "first", "step"),
    [
        (["2026-03-14 10:00:00.25", "2026-03-14 10:00:01.25"], 1_773_482_400.25, 1),
        (["2026-03-14T12:00:00+02:00", "2026-03-14T12:00:10+02:00"], 1_773_482_400, 10),
        (["14.03.2026 10:00:00", "14.03.2026 10:00:10"], 1_773_482_400, 10),
        (["14.03.26 10:00", "14.03.26 10:01"], 1_773_482_400, 60),
        (["3/14/2026 10:00:00 AM", "3/14/2026 1:00:00 PM"], 1_773_482_400, 10_800),
        (["14/03/2026 12:30:00 am", "14/03/2026 12:30:00 pm"], 1_773_448_200, 43_200),
        (["03/03/2026 10:00", "03/03/2026 10:01"], 1_772_532_000, 60),
        (["14-Mar-2026 10:00:00", "14-Mar-2026 10:00:10"], 1_773_482_400, 10),
        (["Mar 14, 2026 10:00:00", "Mar 14, 2026 10:00:10"], 1_773_482_400, 10),
        (["Sat Mar 14 10:00:00 2026", "Sat Mar 14 10:00:10 2026"], 1_773_482_400, 10),
        (["20260314 10:00:00", "20260314 10:00:10"], 1_773_482_400, 10),
        (["2026-03-14 10:00:00 UTC", "2026-03-14 10:00:10 UTC"], 1_773_482_400, 10),
        (["1773482400000000", "1773482410000000"], 1_773_482_400, 10),
        (["1773482400000000000", "1773482410000000000"], 1_773_482_400, 10),
        (["23:59:55", "00:00:05"], 86_395, 10),
        (["0:59:50", "1:00:00"], 3590, 10),
        (["100:00:00", "100:00:10"], 360_000, 10),
        (["0,5", "1,5"], 0.5, 1),
        (["59:50.5", "60:00.5"], 3590.5, 10),
        (["-5", "5"], -5, 10),
    ],
)
def test_times_of_many_kinds(tmp_path: Path, cells: list[str], first: float, step: float) -> None:
    series = read_series(written(tmp_path, f"time;pressure\n{cells[0]};1\n{cells[1]};2\n"))
    assert times(series) == pytest.approx([first, first + step])
    assert series.absolute == (first > 1e9)


def test_date_and_time_in_two_columns_and_units_of_times(tmp_path: Path) -> None:
    series = read_series(
        written(tmp_path, "Date,Time,Pressure\n2026-03-14,10:00:00,1\n2026-03-14,10:00:10,2\n")
    )
    assert times(series) == [1_773_482_400, 1_773_482_410]
    assert "Its times name no offset and are read as UTC." in series.remarks
    for unit, cells in (("ms", "0,10000"), ("min", "0,0.5"), ("h", "0,1"), ("mm:ss", "00:00,10:05")):
        a, b = cells.split(",")
        series = read_series(written(tmp_path, f"time ({unit}),pressure\n{a},1\n{b},2\n"))
        assert times(series)[1] == {"ms": 10, "min": 30, "h": 3600, "mm:ss": 605}[unit]


def test_clocks_that_are_set_back_at_night(tmp_path: Path) -> None:
    clock = ["01:59:40", "01:59:50", "01:00:00", "01:00:10", "01:00:20"]
    rows = "".join(f"2026-11-01 {time},{i}\n" for i, time in enumerate(clock))
    series = read_series(written(tmp_path, "time,pressure\n" + rows))
    assert np.diff(series.time_us).tolist() == [10_000_000] * 4
    assert listed(series.pressure_pa) == [0, 1, 2, 3, 4]
    assert any("set back" in remark for remark in series.remarks)
    # At noon nobody sets clocks back: that log is not in order.
    series = read_series(written(tmp_path, "time,pressure\n" + rows.replace(" 01:", " 12:")))
    assert listed(series.pressure_pa) == [2, 3, 4, 0, 1]


def test_readings_that_share_a_written_second_are_spread(tmp_path: Path) -> None:
    rows = "".join(f"10:00:{i // 10:02d},{i}\n" for i in range(60))
    series = read_series(written(tmp_path, "time,pressure\n" + rows))
    assert times(series) == pytest.approx([36_000 + i / 10 for i in range(60)])
    assert listed(series.pressure_pa) == list(range(60))
    assert any("spread evenly" in remark for remark in series.remarks)


def test_codes_for_faults_are_no_pressures(tmp_path: Path) -> None:
    rows = "".join(f"{i},{-9999 if i == 7 else 9.91e37 if i == 9 else 50}\n" for i in range(40))
    series = read_series(written(tmp_path, "time,pressure (Pa)\n" + rows))
    assert [i for i, value in enumerate(listed(series.pressure_pa)) if value is None] == [7, 9]
    assert series.skipped == 2
    # A small negative zero is a reading.
    assert pressures(tmp_path, "time,pressure (Pa)\n0,-0.5\n1,3\n") == [-0.5, 3]


def test_a_word_with_a_figure_for_over_range(tmp_path: Path) -> None:
    series = read_series(written(tmp_path, "time,pressure (micron)\n0,500\n1,> 1000\n2,≥1000\n3,O.L\n"))
    assert series.over.tolist() == [False, True, True, True]
    assert listed(series.pressure_pa)[1] == pytest.approx(1000 * MICRON)


def test_of_several_pressures_the_first_is_taken_and_that_is_said(tmp_path: Path) -> None:
    series = read_series(written(tmp_path, "time,pressure 1 (Pa),pressure 2 (Pa)\n0,1,2\n1,3,4\n"))
    assert listed(series.pressure_pa) == [1, 3]
    assert series.remarks == ("It has 2 columns of pressures; 'pressure 1 (Pa)' was taken.",)


def test_of_two_values_for_one_time_the_smaller_comes_first(tmp_path: Path) -> None:
    assert pressures(tmp_path, "time,pressure\n0,5\n1,9\n1,4\n2,1\n") == [5, 4, 9, 1]


def test_temperature_and_valve(tmp_path: Path) -> None:
    series = read_series(
        written(tmp_path, "time,pressure,temperature,valve\n0,5,20,open\n1,5,,\n2,5,21.5,Closed\n")
    )
    assert listed(series.temperature_k) == [293.15, None, pytest.approx(294.65)]
    assert series.valve is not None
    assert series.valve.tolist() == [Valve.OPEN, -1, Valve.CLOSED]
    fahrenheit = read_series(written(tmp_path, "time,pressure,temperature (°F)\n0,5,68\n1,5,68\n"))
    assert listed(fahrenheit.temperature_k)[0] == pytest.approx(293.15)
    assert fahrenheit.valve is None


def test_over_range_in_words(tmp_path: Path) -> None:
    series = read_series(written(tmp_path, "time,pressure\n0,5\n1,OL\n2,6\n"))
    assert (listed(series.pressure_pa), series.over.tolist()) == ([5, None, 6], [False, True, False])


def test_rows_that_cannot_be_read_are_counted(tmp_path: Path) -> None:
    text = "time,pressure,temperature\n0,5,20\n1,inf,\n2,nan,20\n?,5,20\n1e30,5,20\n3,,20\n4,6,20\n\n5,OL,\n"
    series = read_series(written(tmp_path, text))
    assert series.skipped == 4
    assert series.over.tolist() == [False, False, False, False, True]
    # A temperature is good without a pressure.
    assert listed(series.pressure_pa) == [5, None, None, 6, None]


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
        ("time,pressure\n2026-03-01 25:00:00,5\n2026-02-30,6\n", "'2026-03-01 25:00:00' is no time"),
        ("time,pressure\n0,a\n1,b\n2,c\n", "line 2: 'a' is no pressure"),
        ("time,pressure\n0,5\n0,6\n", "one time only"),
        ("time,pressure\n0,5\n1772359200,6\n", "mixes times"),
        ("time,pressure (Pa)\n0,5\n1,9e9\n", "9e+09 Pa is no absolute pressure"),
        ("time,pressure (Pa)\n0,5\n1,-50\n", "-50 Pa is no absolute pressure"),
        ("time,pressure\n0,0,100,5\n1,0,100,5\n", "decimal commas"),
        ("time\tpressure\n0\t1,234\n1\t2,345\n", "'1,234' may be 1.234 or 1234"),
        ("time,pressure (psig)\n0,1\n1,2\n", "'psig', which is no known unit of absolute pressure"),
        ("time,pressure,unit\n0,1,mbar\n1,2,Torr\n", "mixes units"),
        ("time,pressure\n10:05,1\n10:06,2\n", "hours and minutes or minutes and seconds"),
        ("time,pressure\n03/04/2026 10:00,1\n03/04/2026 10:01,2\n", "the day first or the month"),
        ("time,pressure\n03/04/26 10:00,1\n13/04/26 10:01,2\n", "which part is the year"),
        ("time,pressure\n13/04/2026 10:00,1\n04/13/2026 10:01,2\n", "others in which it does not"),
        ("time,pressure\n2026-03-01T10:00,1\n5,2\n", "mixes times of different kinds"),
        ("time,pressure\n2026-03-01T10:00,1\n2026-03-01T10:01Z,2\n", "mixes times of different kinds"),
        ("time,pressure,valve\n0,5,1\n1,5,0\n", "write open or closed there"),
        (b"\x00\x01\x02PK", "is no text file"),
        (bytes(range(256)) * 40, "is no text file"),
        (b"PK\x03\x04" + bytes(40), "a ZIP archive or a spreadsheet"),
        (b"\x1f\x8b\x08\x00broken", "cannot be read"),
        (gzip.compress(b"time,pressure\n" + b"0,5\n" * 5000, mtime=0)[:-20], "cannot be read"),
        (b"time,pressure\n" + b'0,"' + b"9" * 200_000 + b'"\n', "line 2 is longer than"),
    ],
)
def test_a_file_that_cannot_be_read_gets_one_sentence(tmp_path: Path, text: str | bytes, said: str) -> None:
    assert said in refused(tmp_path, text)


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
