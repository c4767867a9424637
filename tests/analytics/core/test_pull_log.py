"""Pull-downs in logs: how long they took, how well the pump pulled, where the pressure stood."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from analytics.core.describe import describe
from analytics.core.diagnose import judge_file
from analytics.core.log_options import options_from_text
from model.errors import BadInput

ATMOSPHERE = 101_325.0
Curve = Callable[[float], float]


def hose(t: float) -> float:
    """A pump of S/V = 0.05 1/s, slowed by its hose below some 300 Pa: dP/dt = −0.05 P²/(P + 300)."""
    # 300/P − ln P = 0.05 t + c has no closed form: Newton from below.
    c = 300 / ATMOSPHERE - math.log(ATMOSPHERE)
    p = 50.0
    for _ in range(60):
        p = min(p * math.exp((300 / p - math.log(p) - c - 0.05 * t) / (1 + 300 / p)), ATMOSPHERE)
    return p + 5.0


def wet(t: float) -> float:
    """It stands at 600 Pa until the ice is gone after 40 min."""
    return max(hose(t), 600.0) if t < 2400 else hose(60 + (t - 2400))


def found(
    tmp_path: Path, curve: Curve, seconds: float, every_s: float = 5.0, **options: str
) -> dict[str, Any]:
    rng = random.Random(5)
    lines = ["time,pressure (Pa)"] + [
        f"{-60 + every_s * k:.1f},{ATMOSPHERE}" for k in range(round(60 / every_s))
    ]
    lines += [
        f"{every_s * k:.1f},{curve(every_s * k) * (1 + 0.01 * rng.gauss(0, 1)):.4g}"
        for k in range(round(seconds / every_s))
    ]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines))
    result = judge_file(path, options_from_text(**options)).result  # type: ignore[arg-type]
    # In the shape of the contract: it must go through JSON.
    return json.loads(json.dumps(result, allow_nan=False))  # type: ignore[no-any-return]


def test_a_log_says_how_long_the_pull_down_took_and_how_well_the_pump_pulled(tmp_path: Path) -> None:
    result = found(tmp_path, hose, 1200, target="500 micron", volume="20 l", pump="1 l/s")
    (row,) = result["pull_downs"]
    reached_s = next(t for t in range(1200) if hose(t) <= 66.66)
    assert row["target_after_s"] == pytest.approx(reached_s, abs=60)
    first, last = row["speed_at_first"], row["speed_at_last"]
    for one in (first, last):
        true = 0.05 * one["pressure_pa"] / (one["pressure_pa"] + 300)
        assert one["per_s"]["value"] == pytest.approx(true, rel=0.2)
        assert one["per_s"]["low"] < one["per_s"]["value"] < one["per_s"]["high"]
        assert one["m3_per_s"]["value"] == pytest.approx(0.02 * one["per_s"]["value"])
        assert one["share_of_rating"] == pytest.approx(one["m3_per_s"]["value"] / 1e-3)
    assert last["pressure_pa"] < 0.2 * first["pressure_pa"]
    assert row["until_target_s"] is None
    assert row["stalls"] == []
    text = describe(result)
    assert "at the target after" in text
    assert "of the pump's rating" in text


def test_without_volume_only_speed_over_volume_is_said(tmp_path: Path) -> None:
    (row,) = found(tmp_path, hose, 1200)["pull_downs"]
    assert row["speed_at_first"]["m3_per_s"] is None
    assert row["speed_at_first"]["share_of_rating"] is None
    assert "with the volume it would be" in " ".join(row["evidence"])
    assert row["target_after_s"] is None


def test_a_log_that_ends_while_pulling_says_when_the_target_is_expected(tmp_path: Path) -> None:
    reached_s = next(t for t in range(1200) if hose(t) <= 66.66)
    ended_s = next(t for t in range(1200) if hose(t) <= 400)
    result = found(tmp_path, hose, ended_s, 2.0, target="500 micron")
    (row,) = result["pull_downs"]
    until = row["until_target_s"]
    assert until["low"] < reached_s - ended_s
    assert until["high"] is None or until["high"] > reached_s - ended_s
    assert "is expected in about" in " ".join(row["evidence"])
    assert "the target not reached" in describe(result)


def test_a_stand_that_ended_is_told_with_its_time_and_cause(tmp_path: Path) -> None:
    (row,) = found(tmp_path, wet, 3600, target="500 micron")["pull_downs"]
    (stall,) = row["stalls"]
    assert stall["cause"] == "free water"
    assert stall["pressure_pa"] == pytest.approx(600, rel=0.05)
    assert stall["seconds"] == pytest.approx(2300, abs=400)
    began = (
        datetime.fromisoformat(stall["start"]).timestamp() - datetime.fromisoformat(row["start"]).timestamp()
    )
    assert began == pytest.approx(100, abs=120)
    assert "triple point" in " ".join(row["evidence"])


def test_a_log_that_ends_while_the_pressure_stands_gives_a_lower_bound_and_says_what_to_do(
    tmp_path: Path,
) -> None:
    result = found(tmp_path, lambda t: max(hose(t), 130.0), 3600, target="500 micron")
    (row,) = result["pull_downs"]
    assert row["until_target_s"]["value"] is None
    assert row["until_target_s"]["high"] is None
    assert "Isolate for five minutes to tell" in row["advice"]
    assert "never open it to a stopped pump" in describe(result)


def test_a_log_of_a_hold_alone_has_no_pull_down(tmp_path: Path) -> None:
    path = tmp_path / "hold.csv"
    path.write_text(
        "\n".join(["time,pressure (Pa)"] + [f"{t},{40 + 0.01 * t:.3f}" for t in range(0, 1800, 5)])
    )
    result = judge_file(path, options_from_text(whole_file_is_hold=True)).result
    assert result["pull_downs"] == []


@pytest.mark.parametrize(
    ("option", "text"),
    [
        ("hose", "6.35 mm"),
        ("hose", "1.5 m x 6.35 mm"),
        ("hose", "6.35 x 1.5"),
        ("pump", "6"),
        ("pump", "0 cfm"),
    ],
)
def test_what_is_said_wrongly_of_the_rig_is_one_sentence(option: str, text: str) -> None:
    with pytest.raises(BadInput) as told:
        options_from_text(**{option: text})  # type: ignore[arg-type]
    assert told.value.field == option


def test_pump_and_hose_are_read_as_people_write_them() -> None:
    options = options_from_text(pump="6 cfm", hose="1/4 in x 5 ft")
    # 6 ft³/min = 2.832 l/s: the foot is 0.3048 m exactly.
    assert options.pump_m3_s == pytest.approx(2.832e-3, rel=1e-3)
    assert options.hose_m == pytest.approx((6.35e-3, 1.524))
