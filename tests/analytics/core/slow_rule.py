"""The rule of a hold test once more: slow, plain loops over all readings, straight from the page's text.

Independent of the judgement under test: nothing of it is imported. One gauge on the circuit, a valve that
reports, no temperatures, and so long after the end that nothing is awaited any more.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median


@dataclass
class Case:
    """A hold by its valve. Seconds and pascals."""

    readings: list[tuple[float, float]]
    """All of the gauge's, before and in the hold; several values for one time are possible."""
    opened: float | None
    target: float
    dwell: float
    hold: float
    settle: float
    limit: float | None
    rise: float | None
    top: float
    registered: float
    faults: list[float]


@dataclass
class At:
    """A reading with what the page says of it. The valve closes at 0."""

    time: float
    value: float
    filtered: float | None
    interval: float

    @property
    def slow(self) -> bool:
        return self.interval > 12

    @property
    def gap(self) -> float:
        return max(5 * self.interval, 60)


@dataclass
class Said:
    verdict: str
    reason: str
    decided: float | None = None
    first_over: float | None = None


def filtered_readings(case: Case) -> list[At]:
    smallest: dict[float, float] = {}
    for time, value in case.readings:
        smallest[time] = min(value, smallest.get(time, value))
    for fault in case.faults:
        smallest.pop(fault, None)
    times = sorted(smallest)
    found = []
    for i, now in enumerate(times):
        steps = [times[k + 1] - times[k] for k in range(max(0, i - 15), i)]
        interval = sorted(steps)[len(steps) // 2] if len(steps) >= 3 else case.registered
        one = At(now, smallest[now], None, interval)
        trailing = []
        for t in reversed(times[: i + 1]):
            if now - t >= 60:
                break
            trailing.append(smallest[t])
        if one.slow:
            one.filtered = median(smallest[t] for t in times[i - 2 : i + 1]) if i >= 2 else None
        elif len(trailing) >= 5:
            one.filtered = median(trailing)
        elif i >= 4 and all(times[k + 1] - times[k] <= one.gap for k in range(i - 4, i)):
            one.filtered = median(smallest[t] for t in times[i - 4 : i + 1])
        found.append(one)
    return found


def target_held(case: Case, before: list[At]) -> bool:
    """The filtered pressure was at or below the target for the dwell time when the valve closed.

    "When" is read as within one gap of closing: a spike on the last readings does not undo an hour's vacuum.
    """
    runs: list[list[At]] = [[]]
    for one in before:
        if one.filtered is None:
            continue
        if runs[-1] and (one.filtered > case.target or one.time - runs[-1][-1].time > one.gap):
            runs.append([])
        if one.filtered <= case.target:
            runs[-1].append(one)
    return any(
        0 - run[0].time >= case.dwell and 0 - run[-1].time <= before[-1].gap
        for run in [run for run in runs if run][-2:]
    )


def unseen(case: Case, before: list[At]) -> bool:
    """Readings are missing that would tell whether the target had been held when the valve closed."""
    if 0 - before[-1].time > before[-1].gap:
        return True
    first = before[-1]
    for earlier, later in zip(reversed(before[:-1]), reversed(before), strict=False):
        if later.time - earlier.time > later.gap:
            break
        first = earlier
    known = [one.filtered for one in before if one.filtered is not None]
    return known[-1] <= case.target and 0 - first.time < case.dwell + 60


def start_value(case: Case, inside: list[At]) -> tuple[float, At] | None:
    """The filtered pressure at the end of settling, and the reading at which it is known."""
    for i, one in enumerate(inside):
        if one.time < case.settle:
            continue
        settling = [x for x in inside[:i] if x.time < case.settle and x.filtered is not None]
        if one.time == case.settle and one.filtered is not None:
            return one.filtered, one
        if settling and case.settle - settling[-1].time <= one.gap:
            assert settling[-1].filtered is not None
            return settling[-1].filtered, one
        if one.filtered is not None:
            return one.filtered, one
    return None


def over_run(
    case: Case, inside: list[At], limit: float, known: At, by_range: bool
) -> tuple[Said | None, float | None]:
    """The first run over the limit that lasts, and since when a run goes on at the last reading."""
    since: float | None = None
    count = 0
    previous: At | None = None
    for one in inside:
        if previous is not None and one.time - previous.time > one.gap and not one.slow:
            since, count = None, 0
        previous = one
        over = one.value >= case.top if by_range else None
        if not by_range and one.filtered is not None:
            over = one.filtered > limit
        if one.time < case.settle:
            # What is over at the end of settling starts its clock there.
            if over is not None:
                since = case.settle if over else None
            continue
        if over is None or (one.time < known.time and not by_range):
            continue
        if not over:
            since, count = None, 0
            continue
        since = one.time if since is None else since
        count += 1
        lasted = count >= 3 if one.slow else one.time - since >= 60
        if lasted and one.time >= known.time:
            return Said("failed", "over-range" if by_range else "over-limit", one.time, since), since
    return None, since


def came_down(case: Case, inside: list[At]) -> tuple[float, float] | None:
    """When a pressure that had stood at the gauge's top fell again, and when that was seen.

    "The pump side cannot have been isolated."
    """
    since: float | None = None
    count = 0
    stood = False
    near = 0.0
    for one in inside:
        if stood:
            if one.value >= 0.9 * case.top:
                near = one.time
            if one.filtered is not None and one.filtered < 0.9 * case.top and one.value < case.top:
                return near, one.time
        elif one.value >= case.top:
            since = one.time if since is None else since
            count += 1
            stood = one.filtered is not None and (count >= 3 if one.slow else one.time - since >= 60)
            near = one.time
        else:
            since, count = None, 0
    return None


def kinds(case: Case, limit: float) -> tuple[bool, ...]:
    return (True, False) if case.top > limit else (False,)


def judge_slowly(case: Case) -> Said:
    series = filtered_readings(case)
    before = [one for one in series if one.time < 0]
    after = [one for one in series if one.time >= 0]
    end = case.hold
    for extended in (False, True):
        stop = end if case.opened is None or case.opened >= end else case.opened
        inside = [one for one in after if one.time <= stop]
        said, over = judged_inside(case, before, inside)
        if said is not None:
            return said
        if case.opened is not None and case.opened < end:
            return Said("inconclusive", "over-at-end" if extended else "reopened", case.opened)
        last = inside[-1] if inside else None
        later = [one for one in after if one.time > end]
        seen = last is not None and last.time + 1.5 * last.interval >= end
        if not seen and not (later and last is not None and later[0].time - last.time <= later[0].gap):
            if extended and not any(one.time >= case.hold for one in after):
                # Nothing came at or after the planned end: it is judged as if there had been no extension.
                opened = Said("inconclusive", "over-at-end", case.opened) if case.opened is not None else None
                return opened or spoiled(case, after, case.hold) or Said("inconclusive", "over-at-end")
            bad = spoiled(case, after, end)
            if bad is not None:
                return bad
            return Said("inconclusive", "over-at-end" if extended and not later else "gap-over-end")
        assert last is not None
        if not over:
            break
        if extended:
            return Said("inconclusive", "over-at-end")
        end += max(60.0, 3 * last.interval) if last.slow else 60.0
    return spoiled(case, after, end) or whole(case, before, after, end)


def judged_inside(case: Case, before: list[At], inside: list[At]) -> tuple[Said | None, bool]:
    """What is decided by the readings inside the hold, and whether they end over the limit."""
    started = start_value(case, inside)
    if started is None:
        # Over-range needs no start value to be over.
        pegged = bool(inside) and inside[-1].time >= case.settle and inside[-1].value >= case.top
        return None, pegged
    start, known = started
    if not target_held(case, before) and not unseen(case, before):
        return Said("inconclusive", "target-not-held", known.time), False
    closing = [one.filtered for one in before if one.filtered is not None]
    if not target_held(case, before) and 0 - before[-1].time > before[-1].gap:
        closing = [start]
    if case.limit is not None and closing[-1] >= case.limit:
        return Said("inconclusive", "start-above-limit", known.time), False
    limit = min(
        float("inf") if case.limit is None else case.limit,
        float("inf") if case.rise is None else start + case.rise,
    )
    down = came_down(case, inside) if limit >= case.top else None
    if limit >= case.top:
        # A gauge whose range does not reach the limit: its top is no evidence, and breaks every run.
        inside = [x if x.value < case.top else At(x.time, x.value, 0.0, x.interval) for x in inside]
    runs = [over_run(case, inside, limit, known, by_range) for by_range in kinds(case, limit)]
    fails = [said for said, _ in runs if said is not None]
    if case.limit is not None and start >= case.limit:
        # Not failed at once and below again: not a valid hold.
        for i, one in enumerate(inside):
            if one.time < known.time:
                continue
            part = inside[: i + 1]
            parts = [over_run(case, part, limit, known, by_range) for by_range in kinds(case, limit)]
            if any(said for said, _ in parts):
                break
            if not any(since is not None for _, since in parts):
                return Said("inconclusive", "start-above-limit", one.time), False
    if down is not None and not any((said.decided or 0.0) <= down[1] for said in fails):
        return Said("inconclusive", "reopened", down[0]), False
    if fails:
        first = min(fails, key=lambda said: said.decided or 0.0)
        # Both kinds of run end in one fail; it began with the earlier of those that go on.
        part = [one for one in inside if one.time <= (first.decided or 0.0)]
        begins = [over_run(case, part, limit, known, by_range)[1] for by_range in kinds(case, limit)]
        first.first_over = min(x for x in begins if x is not None)
        return first, True
    return None, any(since is not None for _, since in runs)


def spoiled(case: Case, after: list[At], end: float) -> Said | None:
    """What makes a hold that did not fail no pass, whatever readings are missing."""
    if any(0 <= fault <= end for fault in case.faults):
        return Said("inconclusive", "gauge-fault", end)
    started = start_value(case, [one for one in after if one.time <= end])
    if started is None:
        return None
    limit = min(
        float("inf") if case.limit is None else case.limit,
        float("inf") if case.rise is None else started[0] + case.rise,
    )
    pegged = [one for one in after if started[1].time <= one.time <= end and one.value >= case.top]
    if pegged and limit >= case.top:
        return Said("inconclusive", "gauge-range-too-small", end)
    return None


def whole(case: Case, before: list[At], after: list[At], end: float) -> Said:
    """The full length is over and nothing failed."""
    lost = 0.0
    previous = 0.0
    for one in after:
        if one.time > end:
            break
        if one.time - previous > one.gap:
            lost += min(one.time, case.hold) - previous
        previous = one.time
    # Not one reading to judge after settling is no evidence, however slow the gauge.
    if lost > 0.1 * case.hold or start_value(case, [one for one in after if one.time <= end]) is None:
        return Said("inconclusive", "gaps-over-tenth")
    if not target_held(case, before) and unseen(case, before):
        return Said("inconclusive", "target-unseen")
    return Said("passed", "below-limit", end)
