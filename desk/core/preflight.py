"""Every check before a hold is left to itself, as one table: what is so, what is not, and what to do then.

What hinders a plan hinders leaving, by the same functions: each check names the interlocks that it stands for
(`desk.core.interlocks`), and judges what the interlocks do not know of besides. The limits are our own choice
after common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from desk.core import interlocks
from desk.core.interlocks import FRESH_INTERVALS, age_s, battery_needed_us, is_silent
from model.clock import US
from model.instants import instant
from model.preflight import PreflightFacts, Proof, Stage, Travel, TravelResult
from model.reading import Valve
from model.skew import in_words, off
from model.valve_facts import REPORT_FRESH_S

DAY_US = 86_400 * US
TRAVEL_COUNTS_DAYS = 30
"""A valve that is moved from rig to rig is proved again after that time."""
POWER_COUNTS_DAYS = 366
"""As the handbook asks: each year."""
ROUTE_COUNTS_S, ROUTE_OLD_S = 86_400.0, 30 * 86_400.0
LISTENED_S = 900.0
"""Who was heard for less has shown nothing of its radio."""
REFUSED_AHEAD_S = 300.0
"""Readings that are further ahead are refused (the outside contract)."""


class State(StrEnum):
    """How a check stands."""

    RIGHT = "right"
    CARE = "care"
    """Not right, or not known; it does not hinder leaving."""
    HINDERS = "hinders"


class Help(StrEnum):
    """Where something can be done about it."""

    PLAN = "plan"
    GAUGE = "gauge"
    RIG = "rig"
    TRAVEL = "travel"
    VALVE = "valve"
    CIRCUIT = "circuit"
    GATEWAY = "gateway"
    ROUTE = "route"


@dataclass(frozen=True, slots=True)
class Found:
    """What a check found.

    Parameters
    ----------
    said : str
        In sentences, which may hold moments as `model.instants` writes them.
    todo : str
        What to do; empty if it is right.
    """

    state: State
    said: str
    todo: str = ""
    help: Help | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """A row of the table.

    Parameters
    ----------
    id : str
        For programs; stable.
    title : str
        What is looked at.
    short : str
        What hinders, for the line on top.
    interlocks : tuple of str
        What it stands for, by id; looked at first.
    beyond : callable
        What else counts.
    todo, help
        What to do where an interlock hinders.
    """

    id: str
    title: str
    short: str
    beyond: Callable[[PreflightFacts], Found]
    interlocks: tuple[str, ...] = ()
    todo: str = ""
    help: Help | None = None


@dataclass(frozen=True, slots=True)
class Result:
    """A check with what it found."""

    check: Check
    found: Found


def look(facts: PreflightFacts) -> tuple[Result, ...]:
    """Every check, in the order of the table."""
    hinders = hindering(facts)
    return tuple(Result(check, _found(check, facts, hinders)) for check in TABLE)


def ready(results: Sequence[Result]) -> bool:
    """Whether nothing hinders leaving."""
    return all(one.found.state is not State.HINDERS for one in results)


def line(results: Sequence[Result]) -> str:
    """The line on top."""
    hinders = [one.check.short for one in results if one.found.state is State.HINDERS]
    care = sum(one.found.state is State.CARE for one in results)
    if hinders:
        return f"Not ready to leave: {', '.join(hinders)}."
    if care:
        return f"Ready to leave. {care} check{'s' if care > 1 else ''} could be better."
    return "Ready to leave."


def hindering(facts: PreflightFacts) -> dict[str, str]:
    """What hinders a close that begins a hold, by interlock, as far as it still can: sentence by id."""
    looked_at = {name for check in TABLE for name in check.interlocks} - _settled(facts)
    found: dict[str, str] = {}
    for row in interlocks.TABLE:
        if row.id in looked_at:
            said = row.hinders(facts.valve)
            if said:
                found[row.id] = said
    return found


def _settled(facts: PreflightFacts) -> frozenset[str]:
    """Interlocks that say nothing any more: no valve is there, or it is on its way, or it is closed."""
    gone: frozenset[str] = frozenset()
    if not facts.has_valve:
        gone |= OF_VALVES
    if facts.stage is Stage.CLOSING:
        gone |= {"order-open", "above-target"}
    if facts.stage in (Stage.HOLDING, Stage.DRYING):
        gone |= {"order-open", "already-closed", "above-target"}
    return gone


def _found(check: Check, facts: PreflightFacts, hinders: Mapping[str, str]) -> Found:
    texts = [hinders[name] for name in check.interlocks if name in hinders]
    barred = [name for name in check.interlocks if name in hinders and name not in facts.accepted]
    if check.id == "target" and texts and facts.stage is Stage.WAITING:
        # It is what the plan waits for; that a person may override it changes nothing of that.
        return Found(
            State.CARE, "Not held yet. The plan waits for it, and closes nothing without it.", TARGET_TODO
        )
    if barred:
        return Found(State.HINDERS, " ".join(texts), check.todo, check.help)
    if texts:
        return Found(State.CARE, f"{' '.join(texts)} The plan was told to close all the same.", check.todo)
    return check.beyond(facts)


TARGET_TODO = "Look at the time to the target; without it until the time of the report no hold begins."


# What counts beyond the interlocks -----------------------------------------------------------------------


def _arranged(facts: PreflightFacts) -> Found:
    if facts.stage is Stage.HOLDING:
        return Found(
            State.RIGHT, "The hold runs. A verdict comes when it is over; one that fails is told of."
        )
    if facts.stage is Stage.DRYING:
        return Found(State.RIGHT, "A plan dries the circuit, and holds again then.")
    if facts.stage in (Stage.WAITING, Stage.CLOSING):
        return Found(State.RIGHT, "A plan closes the valve, and tells how it went.")
    if facts.has_valve:
        todo = "Make a hold plan, or close the valve and see the hold begin."
        return Found(State.HINDERS, "No hold runs, and no plan begins one.", todo, Help.PLAN)
    todo = "Close the valve by hand while the pump runs, and wait until the page says that the hold runs."
    return Found(State.HINDERS, "No hold runs, and no valve here can be closed from afar.", todo)


def _target(facts: PreflightFacts) -> Found:
    if facts.stage in (Stage.HOLDING, Stage.CLOSING, Stage.DRYING):
        return Found(State.RIGHT, "It was held before the valve was closed, or a person overrode it.")
    return Found(State.RIGHT, "It is reached, and was held for the procedure's dwell.")


def _gauge(facts: PreflightFacts) -> Found:
    gauge = facts.valve.circuit
    name = "" if gauge is None else f"{gauge.name} "
    return Found(State.RIGHT, f"{name}sits on the circuit's side of the valve, reports and is sound.")


def _rig(facts: PreflightFacts) -> Found:
    todo = (
        "Blank it off and test it alone: hoses, core tool and the gauge's own fitting are often what leaks."
    )
    if facts.rig is None:
        return Found(State.CARE, "Nothing is written down of a test of the rig alone.", todo, Help.RIG)
    said = f"{_when(facts.rig)}: {facts.rig.text}"
    if facts.rig.passed:
        return Found(State.RIGHT, said)
    return Found(
        State.HINDERS, said, "Mend the rig and test it again: until then a hold proves nothing.", Help.RIG
    )


def _battery(facts: PreflightFacts) -> Found:
    battery, until_us = facts.valve.battery, facts.valve.hold_until_us
    if battery is None:
        return Found(
            State.RIGHT,
            "Neither gauge nor valve reports a battery: they have a supply, see that it stays on.",
        )
    lasts = "" if battery.lasts_until_us is None else f" until {instant(battery.lasts_until_us)} at least"
    needed = (
        ""
        if until_us is None
        else f"; with its margin the hold needs it until {instant(battery_needed_us(facts.valve))}"
    )
    return Found(State.RIGHT, f"{battery.name} lasts{lasts} by its own discharge{needed}.")


def _radio(facts: PreflightFacts) -> Found:
    rhythm, gauge = facts.rhythm, facts.valve.circuit
    now_us = facts.valve.now_us
    todo = "Put gateway and antenna where they are heard, and listen for a quarter of an hour."
    if rhythm.last_us is None or gauge is None:
        return Found(
            State.HINDERS, "Nothing was heard of the gauge in the last half hour.", todo, Help.GATEWAY
        )
    ago_s = (now_us - rhythm.last_us) / US
    heard = f"Last heard {ago_s:.0f} s ago"
    if is_silent(gauge, now_us):
        return Found(State.HINDERS, f"{heard}; it reads every {gauge.interval_s:.0f} s.", todo, Help.GATEWAY)
    if rhythm.longest_s > max(REPORT_FRESH_S, 2 * FRESH_INTERVALS * gauge.interval_s):
        begun = instant(rhythm.longest_from_us)
        said = f"{heard}; nothing came for {rhythm.longest_s / 60:.0f} min from {begun} on."
        return Found(State.CARE, said, f"{todo} What is stored at the gateway is not lost, but comes late.")
    if rhythm.known_s < LISTENED_S:
        return Found(State.CARE, f"{heard}, and known for {rhythm.known_s / 60:.0f} min only.", todo)
    return Found(
        State.RIGHT, f"{heard}; in the last half hour no gap was longer than {rhythm.longest_s:.0f} s."
    )


def _clock(facts: PreflightFacts) -> Found:
    ahead_s = facts.ahead_s
    if ahead_s is None:
        said = "How far the gateway's clock is off is not known: its packs do not say when they were sent."
        return Found(State.CARE, said, "Look at the gateway's own time, if it shows it.")
    if not off(ahead_s):
        return Found(State.RIGHT, in_words(ahead_s))
    state = State.HINDERS if ahead_s > REFUSED_AHEAD_S else State.CARE
    return Found(state, in_words(ahead_s), "Set the gateway's clock, best by a time server.", Help.GATEWAY)


def _pump(facts: PreflightFacts) -> Found:
    pump, now_us = facts.valve.pump, facts.valve.now_us
    against = (
        "Against a closed valve it may run for no longer than its maker allows; its exhaust leads outdoors."
    )
    if pump is None or age_s(now_us, pump.at_us, pump.arrived_us) > REPORT_FRESH_S:
        return Found(
            State.CARE, "No pump reports: that it runs is not known.", f"See that it runs. {against}"
        )
    if pump.running:
        return Found(State.RIGHT, f"It runs. {against}")
    if facts.stage is Stage.HOLDING:
        return Found(State.RIGHT, "It stands, behind the closed valve. Never open the valve to it as it is.")
    todo = "Close the valve, start the pump against it, and open only to a pump that runs."
    return Found(
        State.HINDERS, "It stands: nothing pulls, and air and oil may go back into the circuit.", todo
    )


def _valve(facts: PreflightFacts) -> Found:
    if not facts.has_valve:
        said = "None here reports: whether it is closed is seen at the site only."
        return Found(
            State.CARE,
            said,
            "Turn it home, and look at the figure for ten minutes: it must not go on falling.",
        )
    report, travel = facts.valve.valve.report, facts.travel
    if facts.stage is Stage.HOLDING and (report is None or report.position is not Valve.CLOSED):
        return Found(
            State.HINDERS,
            "A hold runs, and the valve does not report closed.",
            "Look at the valve.",
            Help.VALVE,
        )
    todo = "Prove it: open, with the pump running, order it closed and see report and pressure agree."
    if travel is None:
        state = State.CARE if facts.stage is Stage.HOLDING else State.HINDERS
        return Found(state, "It was never seen to close by an order.", todo, Help.TRAVEL)
    said = travel_words(travel)
    if travel.result in (TravelResult.NOT_HOLDING, TravelResult.NOT_CLOSED, TravelResult.FAILED):
        return Found(State.HINDERS, said, f"Mend the valve, its wiring or its seat. {todo}", Help.TRAVEL)
    if travel.result is not TravelResult.PROVED:
        return Found(State.CARE, said, todo, Help.TRAVEL)
    if facts.valve.now_us - travel.at_us > TRAVEL_COUNTS_DAYS * DAY_US:
        return Found(
            State.CARE, f"{said} That is more than {TRAVEL_COUNTS_DAYS} days ago.", todo, Help.TRAVEL
        )
    return Found(State.RIGHT, said)


def travel_words(travel: Travel) -> str:
    """What the newest close has shown, in a sentence."""
    when = instant(travel.at_us)
    took = "" if travel.seconds is None else f", within {max(travel.seconds, 1):.0f} s"
    return {
        TravelResult.PROVED: f"It closed by order {when}{took}, and the pressure agreed while the pump ran.",
        TravelResult.WATCHED: f"It reported closed {when}{took}; the pressure is looked at for ten minutes.",
        TravelResult.REPORTED: f"It reported closed {when}{took}; the pressure told nothing of it.",
        TravelResult.NOT_HOLDING: f"It reported closed {when}, and the pressure went on falling.",
        TravelResult.NOT_CLOSED: f"It was ordered closed {when}, and did not report closed.",
        TravelResult.FAILED: f"It was ordered closed {when}, and the gateway could not do it.",
    }[travel.result]


def _power(facts: PreflightFacts) -> Found:
    if not facts.has_valve:
        return Found(State.RIGHT, "A valve that is turned by hand needs none.")
    todo = (
        "Open against vacuum, take its power away, see it close by its spring and report so; give power back "
        "and see that it stays closed. Then write it down."
    )
    if facts.power is None:
        return Found(State.CARE, "Nothing is written down of that.", todo, Help.TRAVEL)
    said = f"{_when(facts.power)}: {facts.power.text}"
    if facts.valve.now_us - facts.power.at_us > POWER_COUNTS_DAYS * DAY_US:
        return Found(State.CARE, f"{said} That is more than a year ago.", todo, Help.TRAVEL)
    return Found(State.RIGHT, said)


def _free(facts: PreflightFacts) -> Found:
    if not facts.has_valve:
        return Found(State.RIGHT, "No valve here is moved from afar.")
    return Found(
        State.RIGHT, "The site is not in local hands, and no order is under way that is not the plan's."
    )


def _volume(facts: PreflightFacts) -> Found:
    if facts.volume_m3 is None:
        said = (
            "The circuit's volume is not entered: a leak is told by its rate of rise only, not by its size."
        )
        return Found(State.CARE, said, "Enter it, or reckon it from the pipes.", Help.CIRCUIT)
    return Found(State.RIGHT, "It is entered.")


def _route(facts: PreflightFacts) -> Found:
    route = facts.route
    todo = "Have a test message sent, and see it arrive where somebody is awake."
    if route.delivered_s is None:
        return Found(
            State.HINDERS,
            "No message of an alert has ever been delivered: nobody is known to be woken.",
            todo,
            Help.ROUTE,
        )
    ago = _ago(route.delivered_s)
    if route.failing:
        return Found(State.HINDERS, f"Messages are not taken now; the last one was {ago}.", todo, Help.ROUTE)
    said = f"The last message was delivered {ago}."
    if route.delivered_s > ROUTE_COUNTS_S:
        state = State.HINDERS if route.delivered_s > ROUTE_OLD_S else State.CARE
        return Found(state, said, todo, Help.ROUTE)
    return Found(State.RIGHT, said)


def _when(proof: Proof) -> str:
    return (
        f"Proved {instant(proof.at_us)}"
        if proof.person is None
        else f"{proof.person}, {instant(proof.at_us)}"
    )


def _ago(seconds: float) -> str:
    for unit, length_s in (("days", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2 * length_s:
            return f"{seconds / length_s:.0f} {unit} ago"
    return f"{seconds:.0f} s ago"


OF_VALVES = frozenset({"order-open", "out-of-reach", "local-hands", "already-closed", "valve-unreported"})
"""Interlocks that speak of a valve that is moved from afar."""

TABLE: Sequence[Check] = (
    Check("hold", "The hold", "nothing begins a hold", _arranged),
    Check(
        "target",
        "Target held",
        "target",
        _target,
        ("above-target",),
        "Pump on until the target has been held for its time, or leave that to a plan.",
        Help.PLAN,
    ),
    Check(
        "gauge",
        "Gauge and its side",
        "gauge",
        _gauge,
        ("gauge-unfit",),
        "See to the gauge, or hang a sound one on the circuit's side, far from the pump.",
        Help.GAUGE,
    ),
    Check("rig", "Rig proved alone", "rig", _rig),
    Check(
        "battery",
        "Battery to the end of the hold",
        "battery",
        _battery,
        ("battery",),
        "Charge it or put a fresh one in; or make a plan that closes all the same, with your reason.",
        Help.PLAN,
    ),
    Check(
        "radio",
        "Radio",
        "radio",
        _radio,
        ("out-of-reach",),
        "Put gateway and antenna where they are heard.",
        Help.GATEWAY,
    ),
    Check("clock", "Clock of the gateway", "clock", _clock),
    Check("pump", "Pump", "pump", _pump),
    Check(
        "valve",
        "Valve proved",
        "valve",
        _valve,
        ("valve-unreported", "already-closed"),
        "See where the valve stands. To a running pump it is opened at the site, or from its page.",
        Help.TRAVEL,
    ),
    Check("power", "Valve closes without power", "valve without power", _power),
    Check(
        "free",
        "Valve free",
        "valve not free",
        _free,
        ("order-open", "local-hands"),
        "Wait for the order's end; turn the switch on site from local hands when nobody works there.",
        Help.VALVE,
    ),
    Check("volume", "Volume entered", "volume", _volume),
    Check("route", "Alert route", "alert route", _route),
)
