"""From phases, targets and hold tests to facts, and whether the evacuation is finished (rule page)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from analytics.core.figures import pressure_text
from model.clock import to_datetime
from model.event import EventKind
from model.judgement import EarlyCall, Fact, HoldTest, Phase, PhaseKind, Verdict
from model.procedure import Procedure

Evacuation = Literal["none", "running", "finished", "unproven"]

_OF_VERDICT = {
    Verdict.PASSED: EventKind.HOLD_PASSED,
    Verdict.FAILED: EventKind.HOLD_FAILED,
    Verdict.INCONCLUSIVE: EventKind.HOLD_INCONCLUSIVE,
    Verdict.AWAITING: EventKind.HOLD_AWAITING,
}


BROKEN_AS_ASKED = "broken-as-asked"
"""Reason code of a hold that a due break ended: inconclusive, and nothing that asks anybody to act."""


@dataclass(frozen=True, slots=True)
class Target:
    """The target was reached: held for its dwell during the pull-down that began at ``pull_us``."""

    pull_us: int
    at_us: int
    pressure_pa: float


BREAK_TOLD_US = 120 * 1_000_000
"""A rise under a closed valve is known as a break when it has stayed at the top for a minute."""


def excuse_breaks(
    holds: Sequence[HoldTest], phases: Sequence[Phase], procedure: Procedure, now_us: int
) -> tuple[tuple[HoldTest, ...], int | None]:
    """Take a vacuum that was broken as the procedure asks for no failed hold.

    While breaks are due, a fail waits two minutes: so long it takes to tell a break with nitrogen under a
    closed valve from a leak.

    Returns
    -------
    tuple of HoldTest, int or None
        The holds, and when one of them will be told [µs].
    """
    told: list[HoldTest] = []
    wake_us: int | None = None
    broken = [phase.start_us for phase in phases if phase.kind is PhaseKind.BROKEN]
    for one in holds:
        due = sum(1 for start_us in broken if start_us <= one.start_us) < procedure.breaks
        # Nobody needs to be told early of a hold between breaks, and gas let in looks like a leak.
        hold = replace(one, forecast=None, early_call=None) if due else one
        if not due or hold.verdict is not Verdict.FAILED or hold.decided_us is None:
            told.append(hold)
            continue
        until_us = hold.decided_us + BREAK_TOLD_US
        if any(hold.start_us < start_us <= until_us for start_us in broken):
            told.append(_broken_as_asked(hold))
        elif now_us < until_us:
            told.append(_waiting(hold))
            wake_us = until_us
        else:
            told.append(hold)
    return tuple(told), wake_us


def _broken_as_asked(hold: HoldTest) -> HoldTest:
    text = "No hold test: the vacuum was broken with the valve closed, as the procedure asks."
    return replace(hold, verdict=Verdict.INCONCLUSIVE, reason=BROKEN_AS_ASKED, text=text, first_over_us=None)


def _waiting(hold: HoldTest) -> HoldTest:
    text = "The hold is running; the pressure rises fast, as when the vacuum is broken."
    return replace(
        hold,
        verdict=Verdict.RUNNING,
        reason="running",
        text=text,
        decided_us=None,
        end_us=None,
        first_over_us=None,
    )


def passed_us(
    passed: Sequence[tuple[int, int]], broken_us: Sequence[int], procedure: Procedure
) -> int | None:
    """When the evacuation was finished [µs]: the first pass after as many breaks as are asked for.

    Parameters
    ----------
    passed : sequence of (int, int)
        Start of each hold that passed, and when that was decided [µs].
    """
    return min(
        (
            decided_us
            for began_us, decided_us in passed
            if sum(1 for start_us in broken_us if start_us <= began_us) >= procedure.breaks
        ),
        default=None,
    )


def tell(
    phases: Sequence[Phase],
    targets: Sequence[Target],
    holds: Sequence[HoldTest],
    procedure: Procedure,
    silent_us: int | None,
) -> tuple[tuple[Fact, ...], Evacuation]:
    """Facts of a job in the order of their happening, and the state of its evacuation.

    Parameters
    ----------
    phases, targets, holds
        What was recognised, each in order.
    procedure : Procedure
        Asks for breaks.
    silent_us : int or None
        When the series was given up as gone [µs], None while it is not.
    """
    facts = [*_of_phases(phases, procedure), *_of_targets(targets, procedure), *_of_holds(holds)]
    ends, state = _evacuation(phases, holds, procedure, silent_us)
    # Sorted stably: of one moment, what follows from something comes after it.
    return tuple(sorted(facts + ends, key=lambda fact: fact.time_us)), state


def breaks_done(phases: Sequence[tuple[PhaseKind, int]]) -> int:
    """How often the vacuum was broken and pumped down anew.

    Parameters
    ----------
    phases : sequence of (PhaseKind, int)
        Kind and start of each phase [µs].
    """
    last_pull_us = max((at_us for kind, at_us in phases if kind is PhaseKind.PULL_DOWN), default=0)
    return sum(1 for kind, at_us in phases if kind is PhaseKind.BROKEN and at_us < last_pull_us)


def _of_phases(phases: Sequence[Phase], procedure: Procedure) -> list[Fact]:
    facts = []
    broken = 0
    for phase in phases:
        if phase.kind is PhaseKind.PULL_DOWN:
            start = "" if phase.start_pa is None else f" from {pressure_text(phase.start_pa)}"
            facts.append(
                Fact(
                    EventKind.PULL_DOWN_STARTED, phase.start_us, phase.start_us, f"Pull-down started{start}."
                )
            )
        elif phase.kind is PhaseKind.BROKEN:
            broken += 1
            facts.append(
                Fact(
                    EventKind.VACUUM_BROKEN, phase.start_us, phase.start_us, _broken(broken, procedure.breaks)
                )
            )
    return facts


def _broken(number: int, asked: int) -> str:
    text = "Vacuum broken: gas was let into the circuit."
    return f"{text} Break {number} of {asked} that the procedure asks for." if number <= asked else text


def _of_targets(targets: Sequence[Target], procedure: Procedure) -> list[Fact]:
    return [
        Fact(
            EventKind.TARGET_REACHED,
            target.pull_us,
            target.at_us,
            f"Target reached: {pressure_text(procedure.target_pa)} held for {procedure.dwell_s:.0f} s, "
            f"now {pressure_text(target.pressure_pa)}. Not finished before a hold has passed.",
            {"pressure_pa": target.pressure_pa},
        )
        for target in targets
    ]


def _of_holds(holds: Sequence[HoldTest]) -> list[Fact]:
    facts = []
    for hold in holds:
        how = "the valve reported closed" if hold.by_valve else "found in the pressure, no valve reports"
        facts.append(Fact(EventKind.HOLD_STARTED, hold.start_us, hold.start_us, f"Hold test started: {how}."))
        if hold.early_call is not None:
            facts.append(_will_fail(hold, hold.early_call))
        kind = _OF_VERDICT.get(hold.verdict)
        if kind is not None:
            at_us = hold.planned_end_us if hold.decided_us is None else hold.decided_us
            facts.append(Fact(kind, hold.start_us, at_us, hold.text, {"reason": hold.reason}))
    return facts


def _will_fail(hold: HoldTest, call: EarlyCall) -> Fact:
    limit = "the permitted value" if hold.limit_pa is None else pressure_text(hold.limit_pa)
    middle, low, high = (
        to_datetime(at_us).strftime("%H:%M") for at_us in (call.crossing_us, call.low_us, call.high_us)
    )
    span = f" (between {low} and {high})" if low != high else ""
    # Nothing that is estimated is certain.
    text = (
        f"The hold will fail, as it looks ({min(call.probability, 0.999):.1%}): the pressure is expected "
        f"over {limit} at about {middle} UTC{span}. An estimate; the verdict follows the rule."
    )
    data: dict[str, object] = {
        "probability": call.probability,
        "crossing_us": call.crossing_us,
        "low_us": call.low_us,
        "high_us": call.high_us,
    }
    return Fact(EventKind.HOLD_WILL_FAIL, hold.start_us, call.at_us, text, data)


def _evacuation(
    phases: Sequence[Phase],
    holds: Sequence[HoldTest],
    procedure: Procedure,
    silent_us: int | None,
) -> tuple[list[Fact], Evacuation]:
    # At one moment a pass comes before the vacuum that is broken upon it.
    turns: list[tuple[int, int, HoldTest | Phase]] = [
        (hold.decided_us, 0, hold)
        for hold in holds
        if hold.verdict is Verdict.PASSED and hold.decided_us is not None
    ]
    turns += [
        (phase.start_us, 1, phase)
        for phase in phases
        if phase.kind in (PhaseKind.PULL_DOWN, PhaseKind.BROKEN)
    ]
    turns += [(phase.start_us, 1, phase) for phase in phases if phase.kind is PhaseKind.HOLD]
    facts: list[Fact] = []
    state: Evacuation = "none"
    breaks: list[int] = []
    for at_us, _, turn in sorted(turns, key=lambda item: item[:2]):
        if isinstance(turn, HoldTest):
            # A valid hold follows upon the target, so a pass lies after the last target reached.
            if sum(1 for start_us in breaks if start_us <= turn.start_us) >= procedure.breaks:
                return [*facts, _finished(turn)], "finished"
        elif turn.kind is PhaseKind.BROKEN:
            since_us = breaks[-1] if breaks else 0
            awaited = any(
                hold.verdict is Verdict.AWAITING and since_us <= hold.start_us < at_us for hold in holds
            )
            if len(breaks) >= procedure.breaks and not awaited:
                state = "unproven"
                facts.append(_unproven(at_us, "the vacuum was broken"))
            breaks.append(at_us)
        else:
            state = "running"
    if state == "running" and silent_us is not None:
        return [*facts, _unproven(silent_us, "no more readings came")], "unproven"
    return facts, state


def _finished(hold: HoldTest) -> Fact:
    assert hold.decided_us is not None
    text = "Evacuation finished: the hold test after the last target reached passed."
    return Fact(EventKind.EVACUATION_FINISHED, hold.start_us, hold.decided_us, text)


def _unproven(at_us: int, why: str) -> Fact:
    text = f"Evacuation ended unproven: {why} without a hold test passed."
    return Fact(EventKind.EVACUATION_UNPROVEN, at_us, at_us, text)
