"""Pressures on the command line in a unit of one's choice."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from model.errors import BadInput
from ops.cli import app
from ops.output import in_unit
from physics.units import MICRON_PA


def test_pressures_change_their_unit_and_say_so_in_their_name() -> None:
    row = {"target_pa": 500 * MICRON_PA, "rise_pa": None, "smallest_rise_pa_per_s": 1.0, "hold_s": 1800.0}
    assert in_unit(row, None) == row
    assert in_unit(row, "microns") == {
        "target_micron": 500.0,
        "rise_micron": None,
        "smallest_rise_micron_per_s": pytest.approx(1 / MICRON_PA),
        "hold_s": 1800.0,
    }
    assert in_unit({"leak_pa_m3_per_s": 1e-4}, "hPa") == {"leak_pa_m3_per_s": 1e-4}


def test_a_unit_that_is_none_is_refused() -> None:
    with pytest.raises(BadInput, match="psig"):
        in_unit({"target_pa": 1.0}, "psig")


def test_diagnose_speaks_in_the_unit_that_was_asked_for(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    lines = [f"{10 * index},{60 + index * 0.01:.2f}" for index in range(200)]
    log.write_text("time,pressure\n" + "\n".join(lines) + "\n", encoding="utf-8")
    options = [
        "diagnose",
        str(log),
        "--unit",
        "Pa",
        "--whole-file-is-hold",
        "--hold",
        "30 min",
        "--limit",
        "1 Torr",
    ]
    plain = CliRunner().invoke(app, options)
    assert "micron (" in plain.output, plain.output
    torr = CliRunner().invoke(app, [*options, "--show-unit", "Torr"])
    assert "Torr" in torr.output
    assert "micron" not in torr.output
