"""Writes measurements: a table on the screen, JSON in ``bench/results/``."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

RESULTS = Path(__file__).parent / "results"


@dataclass(frozen=True, slots=True)
class Measure:
    """One figure beside what was promised."""

    value: float
    unit: str
    target: str
    ok: bool


def below(value: float, unit: str, limit: float) -> Measure:
    """A figure that should stay below a limit."""
    return Measure(round(value, 3), unit, f"< {limit:g}", value < limit)


def above(value: float, unit: str, limit: float) -> Measure:
    """A figure that should reach a limit."""
    return Measure(round(value, 3), unit, f">= {limit:g}", value >= limit)


def machine() -> dict[str, object]:
    """What it was measured on."""
    pages = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    model = ""
    for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
        if line.startswith("model name"):
            model = line.partition(":")[2].strip()
            break
    return {
        "processor": model or platform.machine(),
        "cores": os.cpu_count(),
        "memory_gib": round(pages / 2**30, 1),
        "python": platform.python_version(),
    }


def write(name: str, measures: Mapping[str, Measure], **more: object) -> bool:
    """Print and store, with more beside; whether all targets were met."""
    width = max(map(len, measures))
    for key, measure in measures.items():
        mark = "met" if measure.ok else "MISSED"
        print(f"{key:{width}}  {measure.value:>10g} {measure.unit:4} target {measure.target:8} {mark}")
    RESULTS.mkdir(exist_ok=True)
    result = {"machine": machine(), "measures": {k: asdict(m) for k, m in measures.items()}} | more
    (RESULTS / f"{name}.json").write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    return all(measure.ok for measure in measures.values())
