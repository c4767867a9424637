"""How right the forecast of a pull-down is, and whether its stalls are named: simulated ones, by stratum.

``make bench-pulldown`` (``ARGS="--pulls 3000"``). The seed is the hash of the commit, so that nobody chose
it. Pull-downs come from models that the analysis does not fit (`bench.pulldown_curves`). Dry ones are judged
when the median of three readings comes to ten times the target for the first time; one that does not reach
it in the simulated time is right where the upper end is open or lies beyond that time. Others are judged at a
random moment after their pressure has begun to stand.
"""

from __future__ import annotations

import argparse
import math
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.progress import track
from rich.table import Table

from analytics.core.pull_down import Cells, Known, PullDown, Standing, State, fold, judge
from bench.judgement import commit_seed
from bench.pulldown_curves import Pull, pulls
from bench.report import Measure, write

HANDBOOK = Path(__file__).parent.parent / "docs" / "explanation" / "pull-down.md"
BEGIN, END = "<!-- measured -->", "<!-- end of what was measured -->"
TIMES = 10.0
"""Forecasts are made at this many times the target."""
BESIDE = (100.0, 30.0, 3.0)
"""And, beside it, at these."""
STANDING_KINDS = ("free water", "pump at its limit", "leak", "wet gauge")
_BATCH = 250
_FALL, _WINDOW, _SHORTEST_S = 0.1, 0.3, 90.0


@dataclass(frozen=True, slots=True)
class Told:
    """A forecast and what came true.

    Parameters
    ----------
    strata : dict
        Names of the strata.
    left_s : float
        True time left [s], infinite where the target was not reached.
    span_s : float
        Simulated time after the forecast [s].
    said : PullDown
        What was said.
    """

    strata: dict[str, str]
    left_s: float
    span_s: float
    said: PullDown

    @property
    def error(self) -> float:
        """Of the time left, as a share of it; infinite where none was said."""
        until = self.said.until
        assert until is not None
        return math.inf if until.value is None else abs(until.value / self.left_s - 1)

    @property
    def covered(self) -> bool:
        """Whether the interval holds the truth."""
        until = self.said.until
        assert until is not None
        if math.isinf(self.left_s):
            return until.high is None or until.high > self.span_s
        return until.low <= self.left_s and (until.high is None or self.left_s <= until.high)


def _many(seed: int, number: int, kinds: Sequence[str], name: str) -> Iterator[Pull]:
    for first in track(range(0, number, _BATCH), name, total=-(-number // _BATCH)):
        count = min(_BATCH, number - first)
        yield from pulls(seed, [kinds[(first + k) % len(kinds)] for k in range(count)], first)


def _known(pull: Pull) -> Known:
    return Known(**pull.known)


def _at(pull: Pull, until: int) -> PullDown:
    cells = fold(Cells(), pull.time_s[:until], pull.pressure_pa[:until], pull.top_pa)
    return judge(cells, pull.rig.target_pa, _known(pull))


def _first_below(pull: Pull, pressure_pa: float) -> int | None:
    """Readings up to the one at which the median of three is at or below a pressure."""
    p = pull.pressure_pa
    middle = np.median(np.stack([p[:-2], p[1:-1], p[2:]]), axis=0)
    under = middle <= pressure_pa
    return int(np.argmax(under)) + 3 if under.any() else None


def forecasts(seed: int, number: int, times: float) -> tuple[list[Told], Counter[str]]:
    """Of dry pull-downs, at so many times the target; and what became of the others."""
    told: list[Told] = []
    left_out: Counter[str] = Counter()
    for pull in _many(seed, number, ("dry",), f"dry, at {times:g} times the target"):
        until = _first_below(pull, times * pull.rig.target_pa)
        if until is None:
            left_out["never came so far"] += 1
            continue
        said = _at(pull, until)
        now_s, reached = float(pull.time_s[until - 1]), pull.when(pull.rig.target_pa)
        if said.until is None:
            left_out["too early to say"] += 1
            continue
        left = math.inf if reached is None else max(reached - now_s, 1e-3)
        told.append(Told(pull.strata, left, pull.rig.span_s - now_s, said))
    return told, left_out


@dataclass(frozen=True, slots=True)
class Rates:
    """Of a set of forecasts, shares of 1; ``width`` is the median of the interval's end over its start."""

    n: int
    error: float
    covered: float
    open: float
    bias: float
    width: float


def rates(many: Sequence[Told]) -> Rates:
    """Of these."""
    finite = [one for one in many if math.isfinite(one.left_s)]
    untils = [one.said.until for one in many if one.said.until is not None]
    closed = [one.high / max(one.low, 1e-3) for one in untils if one.high is not None]
    said = [
        one.said.until.value / one.left_s
        for one in finite
        if one.said.until is not None and one.said.until.value is not None
    ]
    return Rates(
        len(many),
        float(np.median([one.error for one in finite])) if finite else math.nan,
        float(np.mean([one.covered for one in many])),
        float(np.mean([one.high is None for one in untils])),
        float(np.median(said)) if said else math.nan,
        float(np.median(closed)) if closed else math.nan,
    )


def by_stratum(many: Sequence[Told]) -> dict[str, Rates]:
    """All, then every stratum; those that did not reach the target, too."""
    found = {"all": rates(many)}
    for name in many[0].strata:
        values = sorted({one.strata[name] for one in many})
        for value in values if len(values) > 1 else []:
            found[f"{name}: {value}"] = rates([one for one in many if one.strata[name] == value])
    found["target: reached"] = rates([one for one in many if math.isfinite(one.left_s)])
    missed = [one for one in many if math.isinf(one.left_s)]
    if missed:
        found["target: not in the simulated time"] = rates(missed)
    return found


# Where it stands -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Stood:
    """A pull-down that stands: what it is and what was said."""

    kind: str
    said: PullDown

    @property
    def bounded(self) -> bool:
        """Whether nothing but a lower bound was given."""
        return self.said.until is not None and self.said.until.high is None and self.said.until.value is None

    @property
    def named(self) -> Standing | None:
        """What it was called, None where it was not seen to stand."""
        return None if self.said.stall is None else self.said.stall.named


def stalls(seed: int, number: int) -> list[Stood]:
    """Pull-downs whose noise-free curve stands above the target, each at a random moment of that."""
    found = []
    for place, pull in enumerate(_many(seed, number, STANDING_KINDS, "standing")):
        rng = np.random.default_rng([seed, 7, place])
        at_s = _stands_at(pull, rng)
        if at_s is None:
            continue
        until = int(np.searchsorted(pull.time_s, at_s)) + 1
        if until < 8 or until > len(pull.time_s):
            continue
        ambient = pull.rig.wall_k + rng.uniform(-1.0, 5.0)
        cells = fold(Cells(), pull.time_s[:until], pull.pressure_pa[:until], pull.top_pa)
        given = _known(pull)
        known = Known(given.volume_m3, given.pump_m3_s, given.bore_m, given.length_m, ambient)
        found.append(Stood(pull.rig.kind, judge(cells, pull.rig.target_pa, known)))
    return found


def _stands_at(pull: Pull, rng: np.random.Generator) -> float | None:
    grid, y = pull.grid_s, np.log(pull.shown_pa)
    fall = np.interp(grid - np.maximum(_WINDOW * grid, _SHORTEST_S), grid, y) - y
    # Half the fall that is called standing: there no noise hides it.
    stands = (fall < 0.5 * _FALL) & (grid > 150) & (pull.shown_pa > 1.1 * pull.rig.target_pa)
    stands &= pull.shown_pa < 2e4
    if not stands.any():
        return None
    first = float(grid[np.argmax(stands)])
    at_s = first * float(rng.uniform(1.0, 2.0))
    return at_s if bool(stands[min(int(np.searchsorted(grid, at_s)), len(grid) - 1)]) else first


def restrictions(seed: int, number: int) -> dict[str, float]:
    """Share called held back, at three times the target, where volume, pump and hose are known."""
    called: dict[str, list[bool]] = {"dry": [], "restriction": []}
    for pull in _many(seed, number, ("dry", "restriction"), "held back"):
        until = _first_below(pull, 3 * pull.rig.target_pa)
        if until is None or None in pull.known.values():
            continue
        said = _at(pull, until)
        # A dry one with a core left in is held back, too, if less: neither right nor wrong.
        if said.now is not None and (pull.rig.kind == "restriction" or pull.rig.core == 0):
            called[pull.rig.kind].append(said.now.held_back)
    return {kind: float(np.mean(each)) if each else math.nan for kind, each in called.items()}


def milliseconds(repeats: int = 30) -> float:
    """Median time to fold 8 h at 1 Hz and to judge them [ms]."""
    rng = np.random.default_rng(1)
    t = np.arange(28_800.0)
    p = (101_325 * np.exp(-t / 60) + 40_000 / (1 + t / 6) + 60) * (1 + 0.01 * rng.standard_normal(len(t)))
    took = []
    for _ in range(repeats):
        began = time.perf_counter()
        said = judge(fold(Cells(), t, p), 66.66)
        took.append(time.perf_counter() - began)
        assert said.pressure_pa is not None
    return 1000 * float(np.median(took))


# Tables --------------------------------------------------------------------------------------------------


def measures(
    whole: Rates, dry: Sequence[Told], stood: Sequence[Stood], held: dict[str, float]
) -> dict[str, Measure]:
    """The figures, those with a target first."""
    missed = [one for one in dry if math.isinf(one.left_s)]
    wet = [one for one in stood if one.kind == "free water"]
    rest = [one for one in stood if one.kind != "free water"]
    error, covered = 100 * whole.error, 100 * whole.covered
    took = milliseconds()
    return {
        "time left at 10 x target, median error": Measure(round(error, 2), "%", "<= 15", error <= 15),
        "90 % interval covers, censored ones too": Measure(
            round(covered, 2), "%", "85..95", 85 <= covered <= 95
        ),
        "censored ones right": _shown(100 * rates(missed).covered if missed else math.nan, "%"),
        "upper end open": _shown(100 * whole.open, "%"),
        "free water: only a lower bound": _share(one.bounded for one in wet),
        "free water: seen to stand": _share(one.named is not None for one in wet),
        "free water: named": _share(one.named is Standing.WATER for one in wet),
        "free water: called something else": _share(
            one.named in (Standing.BALANCE, Standing.DEGASSING) for one in wet
        ),
        "other stalls: only a lower bound": _share(one.bounded for one in rest),
        "other stalls: called free water": _share(one.named is Standing.WATER for one in rest),
        "other stalls: told to isolate": _share(
            one.named in (Standing.BALANCE, Standing.UNCLEAR) for one in rest
        ),
        "dry ones called standing": _share(one.said.state is State.STANDING for one in dry),
        "restrictions called held back": _shown(100 * held["restriction"], "%"),
        "free hoses called held back": _shown(100 * held["dry"], "%"),
        "28,800 readings": _shown(took, "ms"),
    }


def _shown(value: float, unit: str) -> Measure:
    return Measure(round(value, 2), unit, "shown", True)


def _share(which: Iterator[bool]) -> Measure:
    return _shown(100 * float(np.mean(list(which))), "%")


def _cells(one: Rates) -> list[str]:
    return [
        str(one.n),
        f"{100 * one.error:.1f}",
        f"{one.bias:.2f}",
        f"{100 * one.covered:.1f}",
        f"{100 * one.open:.1f}",
        f"{one.width:.1f}",
    ]


def _table(rows: dict[str, Rates]) -> list[str]:
    lines = ["| stratum | pull-downs | median error, % | said over true | covered, % | open, % | width |"]
    lines.append("|---|---|---|---|---|---|---|")
    return lines + [f"| {name} | " + " | ".join(_cells(one)) + " |" for name, one in rows.items()]


def confusion(stood: Sequence[Stood]) -> dict[str, dict[str, int]]:
    """What each kind was called."""
    return {
        kind: dict(
            Counter("not seen" if one.named is None else one.named.value for one in stood if one.kind == kind)
        )
        for kind in STANDING_KINDS
    }


def into_handbook(
    found: dict[str, Measure],
    strata: dict[str, Rates],
    beside: dict[str, Rates],
    called: dict[str, dict[str, int]],
    which: str,
) -> None:
    """The tables between the marks of the handbook's page."""
    rows = [f"From {which}.", "", "| measure | found | target |", "|---|---|---|"]
    for name, one in found.items():
        target = one.target if one.target == "shown" else f"{one.target} ({'met' if one.ok else 'missed'})"
        rows.append(f"| {name} | {one.value:g} {one.unit} | {target} |")
    rows += ["", *_table(strata), "", "Earlier and later than at ten times the target:", "", *_table(beside)]
    names = [*(one.value for one in Standing), "not seen"]
    rows += ["", "| what stands | " + " | ".join(names) + " |", "|---" * (len(names) + 1) + "|"]
    rows += [
        f"| {kind} | " + " | ".join(str(counts.get(name, 0)) for name in names) + " |"
        for kind, counts in called.items()
    ]
    before, _, rest = HANDBOOK.read_text(encoding="utf-8").partition(BEGIN)
    _, _, after = rest.partition(END)
    HANDBOOK.write_text(before + BEGIN + "\n" + "\n".join(rows) + "\n" + END + after, encoding="utf-8")


def main() -> None:
    """Judge, show, write down."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pulls", type=int, default=4000, help="dry ones")
    parser.add_argument("--seed", type=int, default=None, help="the commit's hash if not given")
    parser.add_argument("--handbook", action="store_true", help="put the tables into the handbook, too")
    given = parser.parse_args()
    seed = commit_seed() if given.seed is None else given.seed
    dry, left_out = forecasts(seed, given.pulls, TIMES)
    strata = by_stratum(dry)
    beside = {
        f"at {times:g} x target": rates(forecasts(seed, given.pulls // 4, times)[0]) for times in BESIDE
    }
    stood = stalls(seed, given.pulls // 2)
    held = restrictions(seed, given.pulls // 2)
    table = Table("stratum", "n", "error %", "said/true", "covered %", "open %", "width")
    for name, one in (strata | beside).items():
        table.add_row(name, *_cells(one))
    Console(width=140).print(table)
    called = confusion(stood)
    print(f"seed {seed}, {len(dry)} of {given.pulls} dry ones; left out: {dict(left_out)}; called: {called}")
    found = measures(strata["all"], dry, stood, held)
    if given.handbook:
        which = f"{len(dry)} dry pull-downs and {len(stood)} that stand, seed {seed}; left out: " + (
            ", ".join(f"{count} {why}" for why, count in sorted(left_out.items())) or "none"
        )
        into_handbook(found, strata, beside, called, which)
    write(
        "pulldown",
        found,
        seed=seed,
        left_out=dict(left_out),
        strata={name: _plain(one) for name, one in strata.items()},
        beside={name: _plain(one) for name, one in beside.items()},
        called=called,
    )


def _plain(one: Rates) -> dict[str, float | None]:
    from dataclasses import asdict

    return {key: round(value, 4) if math.isfinite(value) else None for key, value in asdict(one).items()}


if __name__ == "__main__":
    main()
