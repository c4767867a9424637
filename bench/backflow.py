"""How often air that comes back through a stopped pump is told from an isolation by the curve alone.

``make bench-backflow`` (``ARGS="--evacuations 200"``). The seed is the hash of the commit. Evacuations of the
simulator's rigs (pump, hose and circuit as stiff equations, free and bound water, gas from oil) that end at
their own pressure; nothing reports. Half are isolated, with leaks over four decades; of the others the pump
stops with the valve open and lets air back, as much. Volume, rating and hose are known as crews know them:
volume ±30 %, the pump pulls 60 to 105 % of its rating, a third of the hoses has a valve core that nobody
mentioned. Half of the isolated even out, up to five times their pressure, within ten minutes. None of them
may be called a backflow.
"""

from __future__ import annotations

import argparse
import math
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
from rich.console import Console
from rich.progress import track
from rich.table import Table

from analytics.core.inflow import MARGIN, most_held
from analytics.core.pull_model import Known
from analytics.core.track import Sample, TrackSettings, begin, fold, view
from bench.judgement import commit_seed
from bench.report import Measure, write
from model.clock import US
from model.equipment import Instrument, Position, Role
from model.procedure import Procedure
from model.reading import Quantity
from model.rig import Rig
from physics.constants import ATMOSPHERE_PA
from physics.units import MICRON_PA
from simulator.circuit import Rig as Simulated
from simulator.circuit import RigData, Store

EVERY_S = 10.0
PULL_S, RISE_S = 7200.0, 2700.0
PROCEDURE = Procedure("bench", 500 * MICRON_PA, 60, 7200, 120, 2500 * MICRON_PA, None, "bench")
GAUGE = Instrument(1, 1, "g", Role.GAUGE, Position.CIRCUIT, "", "Pa", 0.1, 20_000.0, 0.1, EVERY_S, "")
BOUNDS = (1.0, 3.0, 10.0, 100.0)
"""Inflow over what the pump could have held."""


@dataclass(frozen=True, slots=True)
class Evacuation:
    """One of them.

    Parameters
    ----------
    backflow : bool
        The pump stopped with the valve open; else it was isolated.
    found : bool
        A hold was found in the curve.
    told : bool
        It was called air that was not there before.
    over : float
        Its inflow over what the pump could have held.
    """

    backflow: bool
    found: bool
    told: bool
    over: float


def evacuation(rng: np.random.Generator, backflow: bool) -> Evacuation:
    """Simulate one and judge it."""
    volume = math.exp(rng.uniform(math.log(2e-3), math.log(0.3)))
    rating = math.exp(rng.uniform(math.log(0.7e-3), math.log(6e-3)))
    bore, length = rng.choice([5e-3, 6.35e-3, 9.5e-3, 12.7e-3]), rng.uniform(0.9, 3.0)
    inflow = math.exp(rng.uniform(math.log(1e-5), math.log(0.1)))
    core = rng.random() < 1 / 3
    data = RigData(
        volume,
        pump_m3_s=rating * rng.uniform(0.6, 1.05),
        ultimate_pa=math.exp(rng.uniform(math.log(1), math.log(10))),
        hose_bore_m=0.7 * bore if core else bore,
        hose_length_m=length,
        leak_pa_m3_s=0.0 if backflow else inflow,
        suck_back_m3_s=inflow / ATMOSPHERE_PA if backflow else 2e-6,
        free_water_kg=5e-4 * rng.random() if rng.random() < 0.3 else 0.0,
        wet_spot_w_k=rng.uniform(0.1, 1.0),
        bound_water=(Store(volume * 0.2, 60.0, 200.0), Store(volume * 0.3, 60.0, 3000.0)),
        oil_gas=(Store(volume * 0.002, 60.0, 1200.0),),
    )
    rig = Rig(rating, None, bore, length) if rng.random() < 0.7 else Rig(rating)
    entered = volume * rng.uniform(0.7, 1.3)
    times, pressures = _run(data, backflow)
    if not backflow and rng.random() < 0.5:
        # The gauge sits where it read less, or more, than the mean to which the circuit evens out.
        tau_s, size = math.exp(rng.uniform(math.log(20), math.log(600))), rng.uniform(-0.5, 5.0)
        since_s = np.maximum(times - PULL_S, 0.0)
        pressures = pressures - size * pressures[times < PULL_S].min() * np.expm1(-since_s / tau_s)
    scale, offset = rng.uniform(0.9, 1.1), rng.uniform(-0.27, 0.27)
    noise = rng.uniform(0.003, 0.02)
    seen = (scale * pressures + offset) * (1 + noise * rng.standard_normal(len(pressures)))
    settings = TrackSettings(PROCEDURE, (GAUGE,), None, entered, rig=rig)
    samples = [
        Sample(round(at * US), 1, Quantity.PRESSURE, float(min(value, 20_000.0)))
        for at, value in zip(times, seen, strict=True)
    ]
    state = fold(begin(settings), settings, samples)
    holds = view(state, settings, samples[-1].time_us).holds
    lowest = float(pressures[times < PULL_S].min())
    held = most_held(lowest, Known.of(replace(rig, pump_m3_s=data.pump_m3_s), volume, None))
    assert held is not None
    told = any(hold.new_inflow for hold in holds)
    return Evacuation(backflow, bool(holds), told, inflow / volume / held)


def _run(data: RigData, backflow: bool) -> tuple[np.ndarray, np.ndarray]:
    rig = Simulated(data)
    rig.setting.pumping, rig.setting.opening = True, 1.0
    times = np.arange(0.0, PULL_S + RISE_S, EVERY_S)
    pressures = np.empty(len(times))
    for place, at in enumerate(times):
        pressures[place] = rig.circuit_pa
        if at == PULL_S:
            rig.disturb()
            rig.setting.pumping, rig.setting.opening = False, 1.0 if backflow else 0.0
        rig.advance(EVERY_S)
    return times, pressures


def _between(over: float) -> str:
    low = max((bound for bound in BOUNDS if bound <= over), default=0.0)
    high = min((bound for bound in BOUNDS if bound > over), default=math.inf)
    return f"{low:g} to {high:g}" if math.isfinite(high) else f"over {low:g}"


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--evacuations", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=None)
    asked = parser.parse_args()
    seed = commit_seed() if asked.seed is None else asked.seed
    rng = np.random.default_rng(seed)
    done = [evacuation(rng, bool(number % 2)) for number in track(range(asked.evacuations))]
    by: dict[str, Counter[str]] = {}
    for one in done:
        if one.backflow:
            by.setdefault(_between(one.over), Counter()).update(all=1, found=one.found, told=one.told)
    isolated = [one for one in done if not one.backflow]
    false = sum(one.told for one in isolated)
    table = Table("inflow over what was held", "backflows", "found as holds", "told", title=f"seed {seed}")
    rows = sorted(by.items(), key=lambda item: float(item[0].split()[-1]) + 1e9 * item[0].startswith("over"))
    for name, row in rows:
        table.add_row(name, str(row["all"]), str(row["found"]), str(row["told"]))
    console = Console()
    console.print(table)
    console.print(f"isolated {len(isolated)}, found {sum(one.found for one in isolated)}, told {false}")
    sure = [one for one in done if one.backflow and one.found and one.over > 2 * MARGIN]
    share = 100 * sum(one.told for one in sure) / max(len(sure), 1)
    measures = {
        "isolated ones called a backflow": Measure(false, "", "0", false == 0),
        "backflows over 6 x what was held, told": Measure(round(share, 1), "%", "shown", True),
    }
    more = {name: dict(row) for name, row in rows}
    write("backflow", measures, seed=seed, evacuations=len(done), isolated=len(isolated), rows=more)


if __name__ == "__main__":
    main()
