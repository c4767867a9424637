"""Long logs with fewer rows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analytics.core import diagnose
from analytics.core.diagnose import judge_file
from analytics.core.log_options import options_from_text
from analytics.core.series_csv import Series, read_series
from analytics.core.thinning import thinned


def series(values: list[float], over: list[bool] | None = None, valve: list[int] | None = None) -> Series:
    n = len(values)
    return Series(
        np.arange(n, dtype=np.int64) * 1_000_000,
        np.array(values, dtype=np.float64),
        np.array(over or [False] * n),
        np.array(values) + 273.15,
        None if valve is None else np.array(valve, dtype=np.int8),
        False,
        "Pa",
        False,
        0,
    )


def test_a_short_log_stays_as_it_is() -> None:
    log = series([1.0, 2.0, 3.0])
    assert thinned(log, 3) == (log, 1)


def test_blocks_become_their_medians() -> None:
    nan = float("nan")
    short, size = thinned(series([5, 1, 900, nan, nan, 3, nan, nan, nan, 7]), 4)
    assert size == 3
    assert short.pressure_pa.tolist()[:2] == [5, 3]
    assert np.isnan(short.pressure_pa[2])
    assert short.pressure_pa[3] == 7
    assert short.temperature_k is not None
    assert short.temperature_k[0] == pytest.approx(278.15)
    assert (np.diff(short.time_us) > 0).all()


def test_over_range_is_higher_than_any_number() -> None:
    short, _ = thinned(series([1, 2, 9, 9, 2, 9], over=[False, False, True, True, False, True]), 2)
    assert short.over.tolist() == [False, True]
    assert short.pressure_pa.tolist() == [2, 9]


def test_no_change_of_the_valve_is_lost_or_moved() -> None:
    short, _ = thinned(series([1.0] * 100, valve=[0] * 41 + [1] * 59), 10)
    assert short.valve is not None
    change = int(np.argmax(short.valve))
    assert short.time_us[change - 1] < 41_000_000 <= short.time_us[change]
    assert short.valve.tolist() == [0] * change + [1] * (len(short) - change)


def test_a_long_log_gets_the_same_answer_and_says_what_was_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.csv"
    rows = (f"{i},{30 + 101_295 * 0.97**i + max(i - 1200, 0) * 0.5:.3f}" for i in range(3600))
    path.write_text("time,pressure (Pa)\n" + "\n".join(rows))
    whole = judge_file(path, options_from_text()).result
    monkeypatch.setattr(diagnose, "RECOGNISED_ROWS", 900)
    monkeypatch.setattr(diagnose, "JUDGED_ROWS", 900)
    short = judge_file(path, options_from_text()).result
    assert len(read_series(path)) == 3600
    assert (short["hold"]["verdict"], short["hold"]["cause"]) == (
        whole["hold"]["verdict"],
        whole["hold"]["cause"],
    )
    assert short["hold"]["start_pa"] == pytest.approx(whole["hold"]["start_pa"], rel=0.05)
    assert [remark for remark in short["remarks"] if "medians of 4 readings" in remark]
    assert not whole["remarks"]
