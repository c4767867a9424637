"""Every interlock before a valve is moved from afar, as one table: what hinders, why, who may override it.

This is the server's half. Its facts are some seconds old at best, so that each order to open carries what it
requires (`requirements`) and the gateway decides at the moment of acting by inputs of its own; see
docs/explanation/valve.md. The list is the project's own choice after common practice, no source.

Use: gather `model.valve_facts.ValveFacts` (`store.valve_facts.gather`), then `check` with what is overridden,
then `store.orders.ask` in the same transaction. `desk.worker.ordering.ask` does all three for the system.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from model.clock import US
from model.equipment import ZERO_OFFSET_PA
from model.errors import BadInput, Hindered
from model.instants import instant
from model.order import Order, OrderAction, Require
from model.reading import Valve
from model.texts import LONGEST_WORDS
from model.valve_facts import REPORT_FRESH_S, GaugeReport, ValveFacts

PUMP_RUNNING_S = 120.0
"""So long the pump must have run before a circuit is opened to it (the outside contract)."""
FRESH_S = 60.0
FRESH_INTERVALS = 5.0
"""A gauge is silent after the longer of a minute and five intervals, as in the rule of a hold."""
PAGE_LIVES_S = 120.0
"""Who has looked at a page for longer has not seen what happened since."""
AHEAD_S = 5.0
"""A page that is made later than now, by more than clocks of one company differ, was not made by us."""
BATTERY_MARGIN_S, BATTERY_MARGIN_SHARE = 3600.0, 0.25
"""A battery must outlast a hold by an hour and by a quarter of what is left of it, whichever is longer."""
SHORTEST_REASON = 5
CIRCUIT_MARGIN, CIRCUIT_MARGIN_PA = 1.5, 133.0
"""The circuit may have risen by half, and by 1 Torr, between decision and act; more than that is another
circuit than the one that was decided on."""


class Deed(StrEnum):
    """What is to be done with a valve."""

    OPEN = "open"
    CLOSE = "close"
    HOLD = "hold"
    """Close it so that a hold begins that nobody watches."""


class Who(StrEnum):
    """Who may override an interlock, with a written reason."""

    NOBODY = "nobody"
    PERSON = "person"
    """A person who may give the order."""
    ON_SITE = "on-site"
    """A person who says that they stand at the site."""


@dataclass(frozen=True, slots=True)
class Interlock:
    """A row of the table.

    Parameters
    ----------
    id : str
        For programs; stable.
    deeds : frozenset of Deed
        What it is looked at before.
    title : str
        What must be so, in words; for a list of checks.
    hinders : callable
        Why it is not so, in a sentence; empty if it is.
    overridden_by : Who
    """

    id: str
    deeds: frozenset[Deed]
    title: str
    hinders: Callable[[ValveFacts], str]
    overridden_by: Who = Who.NOBODY


@dataclass(frozen=True, slots=True)
class Hindrance:
    """An interlock that hinders now.

    Parameters
    ----------
    text : str
        Why, in a sentence.
    """

    id: str
    text: str
    overridden_by: Who = Who.NOBODY


@dataclass(frozen=True, slots=True)
class Override:
    """What a person overrides.

    Parameters
    ----------
    interlocks : frozenset of str
        Which, by id.
    reason : str
        Why, in the person's own words.
    on_site : bool
        The person says that they stand at the site.
    """

    interlocks: frozenset[str] = field(default_factory=frozenset)
    reason: str = ""
    on_site: bool = False


def hindrances(deed: Deed, facts: ValveFacts) -> tuple[Hindrance, ...]:
    """All that hinders a deed now, in the order of the table."""
    return tuple(
        Hindrance(row.id, text, row.overridden_by)
        for row in TABLE
        if deed in row.deeds
        for text in [row.hinders(facts)]
        if text
    )


def left(found: Iterable[Hindrance], override: Override, *, automatic: bool) -> tuple[Hindrance, ...]:
    """What still hinders after an override; no plan overrides anything by itself."""
    if automatic or not override.interlocks:
        return tuple(found)
    return tuple(one for one in found if one.id not in override.interlocks or not _may(one, override))


def _may(hindrance: Hindrance, override: Override) -> bool:
    who = hindrance.overridden_by
    return who is Who.PERSON or (who is Who.ON_SITE and override.on_site)


def check(deed: Deed, facts: ValveFacts, override: Override | None = None) -> frozenset[str]:
    """Pass a deed that nothing hinders.

    Returns
    -------
    frozenset of str
        The interlocks that were overridden: those of the override that did hinder. Write them down.

    Raises
    ------
    BadInput
        If something is overridden without a reason in words.
    Hindered
        If something hinders; with all that does.
    """
    override = override or Override()
    reason = override.reason.strip()
    written = SHORTEST_REASON <= len(reason) <= LONGEST_WORDS and reason.isprintable()
    if override.interlocks and not facts.automatic and not written:
        raise BadInput("Write down in one line why it may be done all the same.", field="override_reason")
    found = hindrances(deed, facts)
    remaining = left(found, override, automatic=facts.automatic)
    if remaining:
        raise Hindered({one.id: one.text for one in remaining})
    return frozenset(one.id for one in found)


def requirements(facts: ValveFacts) -> Require:
    """What the gateway must find confirmed by its own inputs before it opens.

    Raises
    ------
    Hindered
        If the circuit's pressure is not known: without it nothing can be required.
    """
    gauge = facts.circuit
    if gauge is None or gauge.pressure_pa is None:
        raise Hindered({"circuit-unknown": "The pressure of the circuit is not known."})
    highest = CIRCUIT_MARGIN * max(gauge.pressure_pa, 0.0) + CIRCUIT_MARGIN_PA
    return Require(PUMP_RUNNING_S, round(highest, 1), Valve.CLOSED)


def age_s(now_us: int, at_us: int, arrived_us: int) -> float:
    """How old a report is [s]: by its own time or by its coming, whichever is longer ago.

    What was stored and comes late is old, however new its coming; and a gateway whose clock is ahead makes
    nothing newer. What has come later than now was noted by a clock that differs from ours: nobody knows its
    age, and it is taken to be as old as the two differ.
    """
    return abs(now_us - min(at_us, arrived_us)) / US


def is_silent(gauge: GaugeReport, now_us: int) -> bool:
    """Whether a gauge has said nothing for too long."""
    return age_s(now_us, gauge.at_us, gauge.arrived_us) > max(FRESH_INTERVALS * gauge.interval_s, FRESH_S)


# What hinders -----------------------------------------------------------------------------------------


def _order_open(facts: ValveFacts) -> str:
    latest = facts.valve.latest
    if latest is None or not latest.state.open or facts.now_us >= latest.expires_us:
        return ""
    return (
        f"Order {latest.id} for this valve is still open: {latest.state.value} "
        f"{instant(_state_since_us(latest))}."
    )


def _unreachable(facts: ValveFacts) -> str:
    valve = facts.valve
    if valve.revoked:
        return f"The gateway {valve.gateway} is revoked: nothing reaches its valve. Turn it at the site."
    if valve.online is None or valve.presence_us is None:
        return f"The gateway {valve.gateway} has never reported itself: turn the valve at the site."
    if not valve.online:
        since = instant(valve.presence_us)
        return f"The gateway {valve.gateway} is out of reach since {since}: turn the valve at the site."
    return ""


def _hands(facts: ValveFacts) -> str:
    if not facts.hands:
        return ""
    return "The site is switched to local hands: who is there decides, and the switch on site wins."


def _stale_page(facts: ValveFacts) -> str:
    page = facts.page
    if page is None:
        return ""
    if page.version != facts.version:
        return "Something has changed since this page was made: look again, then decide."
    age = (facts.now_us - page.made_us) / US
    if not -AHEAD_S <= age <= PAGE_LIVES_S:
        return f"This page is older than {PAGE_LIVES_S:.0f} seconds: look again, then decide."
    return ""


def _already_closed(facts: ValveFacts) -> str:
    # An old report is no reason to refuse a close, which does no harm.
    valve, report = facts.valve, facts.valve.report
    if report is None or report.position is not Valve.CLOSED:
        return ""
    if facts.now_us - report.at_us > max(5 * valve.interval_s, 60.0) * US:
        return ""
    # Nor is one from before an order to open, whatever is known of that one.
    latest = valve.latest
    if latest is not None and latest.action is OrderAction.OPEN and report.arrived_us <= latest.asked_us:
        return ""
    return f"The valve {valve.name} reports closed already, since {instant(report.since_us)}."


def _not_turned_on(facts: ValveFacts) -> str:
    if facts.opening_allowed:
        return ""
    return "Opening from afar is off at this site. An administrator can turn it on at the site's page."


def _not_named(facts: ValveFacts) -> str:
    if facts.may_open_here:
        return ""
    return "Only who is named for this site may open a valve there from afar."


def _not_closed(facts: ValveFacts) -> str:
    report = facts.valve.report
    if report is None:
        return f"The valve {facts.valve.name} has never reported where it stands."
    if age_s(facts.now_us, report.at_us, report.arrived_us) > REPORT_FRESH_S:
        return f"The valve {facts.valve.name} has not reported since {instant(report.at_us)}."
    if report.position is not Valve.CLOSED:
        return f"The valve {facts.valve.name} reports {report.position.name.lower()}, not closed."
    return ""


def _pump(facts: ValveFacts) -> str:
    pump = facts.pump
    if pump is None:
        return "No pump reports here: a valve is never opened to a pump that is not known to be running."
    if age_s(facts.now_us, pump.at_us, pump.arrived_us) > REPORT_FRESH_S:
        return (
            f"The pump has not reported since {instant(pump.at_us)}: "
            "a valve is never opened to a pump that is not known to be running."
        )
    if not pump.running:
        return "The pump does not run: never open an isolation valve to a stopped pump."
    if not pump.running_s >= PUMP_RUNNING_S:
        return f"The pump is known to run for {pump.running_s:.0f} s only; it must be {PUMP_RUNNING_S:.0f} s."
    return ""


def _circuit_unknown(facts: ValveFacts) -> str:
    said = _no_reading(facts.circuit, facts.now_us, "on the circuit")
    return f"{said} Nobody would see what the opening does." if said else ""


def _pump_side_unknown(facts: ValveFacts) -> str:
    said = _no_reading(facts.pump_side, facts.now_us, "on the pump side")
    gauge = facts.pump_side
    if not said and gauge is not None and gauge.suspect:
        said = f"The gauge {gauge.name} on the pump side is suspect."
    return f"{said} Whether the pump pulls is not known." if said else ""


def _no_reading(gauge: GaugeReport | None, now_us: int, where: str) -> str:
    """Why a gauge gives no pressure that counts; empty if it does."""
    if gauge is None:
        return f"There is no gauge {where}."
    if gauge.pressure_pa is None or is_silent(gauge, now_us):
        return f"The gauge {gauge.name} {where} is silent."
    if gauge.fault:
        return f"The gauge {gauge.name} {where} reports a fault."
    if gauge.at_top:
        return f"The gauge {gauge.name} {where} is at the top of its range."
    if not gauge.pressure_pa < float("inf"):
        return f"The gauge {gauge.name} {where} gives no figure."
    return ""


def _backwards(facts: ValveFacts) -> str:
    """The circuit may stand lower than the pump side: oil and air would be drawn into it."""
    circuit, pump_side = facts.circuit, facts.pump_side
    if circuit is None or pump_side is None or circuit.pressure_pa is None:
        return ""
    if is_silent(pump_side, facts.now_us) or pump_side.fault:
        # An old figure proves nothing; that there is none is said above.
        return ""
    if not pump_side.at_top:
        if pump_side.pressure_pa is None:
            return ""
        lowest = circuit.pressure_pa * (1 - circuit.accuracy) - ZERO_OFFSET_PA
        highest = pump_side.pressure_pa * (1 + pump_side.accuracy) + ZERO_OFFSET_PA
        if lowest >= highest:
            return ""
    # A gauge at its top that has never given a figure says enough.
    return (
        "The circuit may be at a lower pressure than the pump side, as far as the gauges can tell: "
        "opening would draw gas and oil into it."
    )


def _suspect(facts: ValveFacts) -> str:
    gauge = facts.circuit
    if gauge is None or not gauge.suspect:
        return ""
    return f"The gauge {gauge.name} on the circuit is suspect."


def _above_target(facts: ValveFacts) -> str:
    if facts.target_reached:
        return ""
    return "The target has not been held for its dwell: a hold from here proves nothing."


def _valve_unreported(facts: ValveFacts) -> str:
    report = facts.valve.report
    if report is None:
        return f"The valve {facts.valve.name} has never reported where it stands."
    if age_s(facts.now_us, report.at_us, report.arrived_us) > REPORT_FRESH_S:
        return f"The valve {facts.valve.name} has not reported since {instant(report.at_us)}."
    if report.position is Valve.UNKNOWN:
        return f"The valve {facts.valve.name} reports that it does not know where it stands."
    return ""


def _gauge_unfit(facts: ValveFacts) -> str:
    if facts.circuit is None and facts.pump_side is not None:
        return (
            f"The gauge {facts.pump_side.name} sits on the pump's side of the valve: "
            "there it reads flat whatever the circuit does."
        )
    return _no_reading(facts.circuit, facts.now_us, "on the circuit") or _suspect(facts)


def _battery(facts: ValveFacts) -> str:
    battery, until_us = facts.battery, facts.hold_until_us
    if battery is None or until_us is None:
        return ""
    if battery.lasts_until_us is None:
        return f"Too little is known of the battery of {battery.name} to say that it outlasts the hold."
    needed_us = battery_needed_us(facts)
    if battery.lasts_until_us >= needed_us:
        return ""
    lasts = instant(battery.lasts_until_us)
    return (
        f"The battery of {battery.name} may be flat {lasts}; with its margin the hold needs it "
        f"until {instant(needed_us)}."
    )


def battery_needed_us(facts: ValveFacts) -> int:
    """Until when a battery must last: the end of the hold with its margin [µs]."""
    until_us = facts.hold_until_us or facts.now_us
    rest_s = max(until_us - facts.now_us, 0) / US
    return until_us + round(max(BATTERY_MARGIN_S, BATTERY_MARGIN_SHARE * rest_s) * US)


def _state_since_us(order: Order) -> int:
    return order.asked_us if order.sent_us is None else order.sent_us


def _of(*deeds: Deed) -> frozenset[Deed]:
    return frozenset(deeds)


EVERY = _of(Deed.OPEN, Deed.CLOSE, Deed.HOLD)

TABLE: Sequence[Interlock] = (
    Interlock("order-open", EVERY, "no other order for the valve is open", _order_open),
    Interlock("out-of-reach", EVERY, "the valve's gateway is in reach", _unreachable),
    Interlock("local-hands", EVERY, "the site is not in local hands", _hands),
    Interlock("stale-page", EVERY, "the page is fresh", _stale_page),
    Interlock("already-closed", _of(Deed.CLOSE), "the valve is not closed already", _already_closed),
    Interlock("opening-off", _of(Deed.OPEN), "opening from afar is turned on at the site", _not_turned_on),
    Interlock("not-named", _of(Deed.OPEN), "the person may open at the site", _not_named),
    Interlock("not-closed", _of(Deed.OPEN), "the valve reports closed", _not_closed),
    Interlock("pump", _of(Deed.OPEN), "the pump is known to run, for two minutes at least", _pump),
    Interlock("circuit-unknown", _of(Deed.OPEN), "the circuit's pressure is known", _circuit_unknown),
    Interlock(
        "pump-side-unknown",
        _of(Deed.OPEN),
        "the pressure on the pump side is known",
        _pump_side_unknown,
        Who.ON_SITE,
    ),
    Interlock("backwards", _of(Deed.OPEN), "the circuit is not lower than the pump side", _backwards),
    # A wet or oily gauge reads high, and would hide that the circuit stands lower.
    Interlock("gauge-suspect", _of(Deed.OPEN), "the circuit's gauge is not suspect", _suspect, Who.ON_SITE),
    Interlock("above-target", _of(Deed.HOLD), "the target has been held", _above_target, Who.PERSON),
    Interlock("valve-unreported", _of(Deed.HOLD), "the valve reports where it stands", _valve_unreported),
    Interlock("gauge-unfit", _of(Deed.HOLD), "a gauge on the circuit reports and is sound", _gauge_unfit),
    Interlock("battery", _of(Deed.HOLD), "the battery outlasts the hold", _battery, Who.PERSON),
)
BY_ID = {row.id: row for row in TABLE}
