"""Watching a running hold: what is kept of its readings, when it is looked ahead, and when a fail is called.

Readings are cleaned (each against the median of its neighbours, so that a spike counts no more than noise
does) and gathered in at most 36 means; when these are full, the two neighbours that span least are merged,
but never the last ten, so that a change is seen at once. The memory and the cost of a reading do not grow
with the hold, and nothing depends on how the readings were batched. The hold is looked at anew whenever its
age has grown by a twentieth (by a seventh where a fail is very unlikely, by a fiftieth where it is likely),
and at once when a mean is far above what the last look had expected.

Only a fail is ever called early, once, when its probability reaches what `needed_at` asks for. Why that
holds an error rate however often one looks: the posterior probability of "it will not fail" is a martingale,
so by Ville's inequality (Ville 1939; Wald's bound for his sequential test is the same) the chance that it
ever falls to α on a hold that does not fail is at most α/(1 − α) times the odds of a fail. At even odds and
α = 0.1, the largest at which a call is made, that is 11 %. It is a bound, true as far as the probability is;
the odds asked for were set by the rate that was measured on curves of other models
(``docs/explanation/early-call.md``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from analytics.core import forecast
from analytics.core.curves import Data
from model.clock import US
from model.judgement import EarlyCall, Forecast

CALL_AT = 0.9
"""Probability at which a fail is called at the end of the hold. Earlier the odds must be higher, as the
square root of the hold's length over its age: a rise is the harder to tell from one that levels off or runs
out the less of it is seen. 0.966 at a tenth of the hold, 0.989 at a hundredth. By the measured rate of false
calls."""

SOON = 5.0
"""Odds must be so many times higher where the limit is expected within the first three tenths of the hold:
there the rule decides soon. Own choice."""

CONFIRMED_AT = 0.9
"""A call needs this at the look before, too: one look alone may be misled by a few readings."""

MOST_MEANS = 36
_FINE = 10
_FEWEST = 6
_PARTS = 600
"""The first means, and the last ones, are a six-hundredth of the hold long."""
_GROWTH = 1.05
_GROWTH_CALM = 1.15
_GROWTH_NEAR = 1.02
_UNLIKELY = 0.02
_AT_ONCE = 1.005
_SURPRISE = 4.0
_SKIP = 0.25
"""This share of the settling time is not looked at: the valve moves."""
_CLEAN = 4.0
_MOVES = 9
_SOME = 0.1
_NOISIEST = 0.05
_FAST = 0.3
_FORGET = 400


@dataclass(slots=True)
class Early:
    """What is remembered to look ahead; its size does not grow with the hold. Times [s] from the closing."""

    recent_s: list[float] = field(default_factory=list)
    recent_pa: list[float] = field(default_factory=list)
    parts: list[int] = field(default_factory=list)
    """In which part of the hold each mean begins."""
    counts: list[int] = field(default_factory=list)
    times: list[float] = field(default_factory=list)
    """Sum of the times in each."""
    sums: list[float] = field(default_factory=list)
    """Sum of the pressures in each [Pa]."""
    until_s: float = 0.0
    """Until when the last one goes on."""
    noise: float = 0.0
    """Mean deviation of a reading from the middle of its neighbours, as a share of it."""
    noise_n: int = 0
    same: float = 0.0
    """Share of readings that repeat the one before."""
    moves: list[float] = field(default_factory=list)
    """Last changes that were not zero [Pa]: the display's step where it hides the noise."""
    look_s: float = 0.0
    """When it was last looked at."""
    expected: tuple[float, float, float, float] | None = None
    """What that look expected: time, pressure, slope and standard deviation."""
    forecast: Forecast | None = None
    """Of the last look."""
    called: EarlyCall | None = None


class Frame(NamedTuple):
    """The hold that is watched: closing and end of settling [µs], length [s], permitted pressure [Pa]."""

    start_us: int
    settled_us: int
    length_s: float
    limit_pa: float | None
    """None while it is not known: a rise is counted from the end of settling."""


def watch(early: Early, frame: Frame, time_us: int, pressure_pa: float, slow: bool) -> None:
    """Take a reading, and look ahead when it is time to."""
    since_us = time_us - frame.start_us
    if since_us >= _SKIP * (frame.settled_us - frame.start_us) and _gather(
        early, frame.length_s, since_us / US, pressure_pa, slow
    ):
        _look(early, frame, time_us)


def _gather(early: Early, length_s: float, time_s: float, pressure_pa: float, slow: bool) -> bool:
    """Clean a reading and put it into its mean; return whether that began a new one.

    This is done for each reading, so it is one function and does little.
    """
    recent = early.recent_pa
    if recent:
        if pressure_pa == recent[-1]:
            early.same += (1.0 - early.same) / 16
        else:
            early.same -= early.same / 16
            if early.same > _SOME:
                early.moves.append(abs(pressure_pa - recent[-1]))
                del early.moves[:-_MOVES]
    early.recent_s.append(time_s)
    recent.append(pressure_pa)
    window = 3 if slow else 5
    if len(recent) < window:
        return False
    if len(recent) > window:
        del early.recent_s[:-window], recent[:-window]
    half = window // 2
    middle, value = sorted(recent)[half], recent[half]
    # A reading against the mean of its neighbours: no slope shows in it.
    level = abs(middle) if abs(middle) > 1e-3 else 1e-3
    deviation = abs(value - 0.5 * (recent[half - 1] + recent[half + 1])) / level
    if early.noise_n < 10:
        deviation = min(deviation, _NOISIEST)
    elif deviation > 5.0 * early.noise:
        deviation = 5.0 * early.noise
    if early.noise_n < _FORGET:
        early.noise_n += 1
    early.noise += (deviation - early.noise) / early.noise_n
    if value != middle:
        most = max(_CLEAN * early.noise * level, step_of(early))
        value = min(max(value, middle - most), middle + most)
    at_s = early.recent_s[half]
    if early.parts and at_s < early.until_s:
        early.counts[-1] += 1
        early.times[-1] += at_s
        early.sums[-1] += value
        return False
    _begin(early, length_s / _PARTS, at_s, value)
    return True


def step_of(early: Early) -> float:
    """Step of the display, where it hides the noise; else 0 [Pa]."""
    return min(early.moves) if early.same > 0.3 and early.moves else 0.0


def _begin(early: Early, width_s: float, time_s: float, pressure_pa: float) -> None:
    """Begin a mean."""
    if len(early.parts) == MOST_MEANS:
        _merge(early)
    part = int(time_s / width_s)
    early.until_s = (part + 1) * width_s
    early.parts.append(part)
    early.counts.append(1)
    early.times.append(time_s)
    early.sums.append(pressure_pa)


def needed_at(time_s: float, crossing_s: float, length_s: float, call_at: float | None = None) -> float:
    """Probability that a call needs at a time; ``call_at`` instead of `CALL_AT`."""
    least = CALL_AT if call_at is None else call_at
    if least >= 1:
        return least
    odds = least / (1 - least) * math.sqrt(length_s / max(min(time_s, length_s), 1.0))
    if crossing_s < _FAST * length_s:
        odds *= SOON
    return odds / (1 + odds)


def _due(early: Early, time_s: float) -> bool:
    """Whether to look anew: by age, or because the last complete mean is far above what was expected."""
    known = early.forecast
    growth = _GROWTH
    if early.called is not None or (known is not None and known.probability < _UNLIKELY):
        growth = _GROWTH_CALM
    elif known is not None and known.probability >= CONFIRMED_AT:
        growth = _GROWTH_NEAR
    if time_s >= early.look_s * growth:
        return True
    if early.expected is None or time_s < early.look_s * _AT_ONCE:
        return False
    at_s, pressure_pa, slope, deviation = early.expected
    count = early.counts[-2]
    mean, mean_s = early.sums[-2] / count, early.times[-2] / count
    noise = early.noise * abs(mean) / math.sqrt(count) + step_of(early)
    return mean - pressure_pa - slope * (mean_s - at_s) > _SURPRISE * math.hypot(noise, deviation)


def _merge(early: Early) -> None:
    """Merge the two neighbours that span least, the oldest of equals."""
    parts = early.parts
    spans = [later - earlier for earlier, later in zip(parts, parts[2:-_FINE], strict=False)]
    first = spans.index(min(spans))
    early.counts[first] += early.counts.pop(first + 1)
    early.times[first] += early.times.pop(first + 1)
    early.sums[first] += early.sums.pop(first + 1)
    del parts[first + 1]


def _look(early: Early, frame: Frame, time_us: int) -> None:
    """Look ahead from the means, if it is time to."""
    time_s, limit_pa = (time_us - frame.start_us) / US, frame.limit_pa
    if (
        limit_pa is None
        or time_us < frame.settled_us
        or len(early.parts) < _FEWEST
        or not _due(early, time_s)
    ):
        return
    early.look_s = time_s
    count = np.array(early.counts, dtype=np.float64)
    data = Data(
        np.array(early.times) / count,
        np.array(early.sums) / count,
        count,
        # Mean deviation of x from the mean of two: σ·√1.5·√(2/π).
        early.noise / 0.977,
        step_of(early),
    )
    seen = forecast.look_ahead(data, frame.length_s, limit_pa)
    early.expected = (seen.at_s, seen.pressure_pa, seen.slope_pa_s, seen.deviation_pa)
    if seen.crossing is None:
        early.forecast = Forecast(seen.probability)
        return
    confirmed = early.forecast is not None and early.forecast.probability >= CONFIRMED_AT
    crossing_us, low_us, high_us = (max(frame.start_us + round(at_s * US), time_us) for at_s in seen.crossing)
    early.forecast = Forecast(seen.probability, crossing_us, low_us, high_us)
    needed = needed_at(time_s, seen.crossing[0], frame.length_s)
    if early.called is None and confirmed and seen.probability >= needed:
        early.called = EarlyCall(
            time_us, seen.probability, crossing_us, low_us, high_us, seen.pressure_pa, seen.slope_pa_s
        )
