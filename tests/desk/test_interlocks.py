"""Every interlock, beside a plain table of what must stop what; and who may override it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from desk.core import interlocks
from desk.core.interlocks import Deed, Hindrance, Override, Who, check, hindrances, left
from model.clock import US
from model.equipment import Role
from model.errors import BadInput, Hindered
from model.order import KnownValve, Order, OrderAction, OrderState, Report, Require
from model.reading import Valve
from model.valve_facts import Battery, GaugeReport, Page, PumpReport, ValveFacts

NOW_US = 1_763_000_000 * US
"""02:13:20 UTC."""


def ago(seconds: float) -> int:
    return NOW_US - round(seconds * US)


ORDER = Order(
    id=7, token="t", instrument_id=3, valve="v1", gateway="gw1", site_id=1, time_zone="Europe/Berlin",
    job_id=1, action=OrderAction.CLOSE, state=OrderState.SENT, reason="", asked_by=None, asked_us=ago(60),
    session="s1", boot="b1", ttl_s=300.0, expires_us=NOW_US + 240 * US, sent_us=ago(59),
)  # fmt: skip
VALVE = KnownValve(
    instrument_id=3, name="v1", role=Role.VALVE, interval_s=60.0, gateway="gw1", revoked=False, site_id=1,
    time_zone="Europe/Berlin", job_id=1, online=True, session="s1", boot="b1", presence_us=ago(3600),
    report=Report(Valve.CLOSED, ago(30), ago(7200), ago(29)), latest=None,
)  # fmt: skip
CIRCUIT = GaugeReport("g1", 10.0, 0.1, 300.0, ago(5), ago(4))
PUMP_SIDE = GaugeReport("g2", 10.0, 0.1, 8.0, ago(5), ago(4))
READY = ValveFacts(
    NOW_US, VALVE, opening_allowed=True, may_open_here=True, circuit=CIRCUIT, pump_side=PUMP_SIDE,
    pump=PumpReport(True, ago(900), ago(20), ago(19)), target_reached=True,
    hold_until_us=NOW_US + 8 * 3600 * US, battery=Battery("g1", NOW_US + 20 * 3600 * US),
)  # fmt: skip
"""Everything is as it should be for an opening and for a hold."""


def ids(deed: Deed, facts: ValveFacts) -> list[str]:
    return [one.id for one in hindrances(deed, facts)]


def valve(**changes: object) -> ValveFacts:
    return replace(READY, valve=replace(VALVE, **changes))  # type: ignore[arg-type]


def told(position: Valve, seconds: float) -> Report:
    return Report(position, ago(seconds), ago(seconds), ago(seconds))


def circuit(**changes: object) -> ValveFacts:
    return replace(READY, circuit=replace(CIRCUIT, **changes))  # type: ignore[arg-type]


def pump_side(**changes: object) -> ValveFacts:
    return replace(READY, pump_side=replace(PUMP_SIDE, **changes))  # type: ignore[arg-type]


def pump(running: bool, since_s: float, at_s: float, arrived_s: float) -> ValveFacts:
    return replace(READY, pump=PumpReport(running, ago(since_s), ago(at_s), ago(arrived_s)))


# Each row: what is not as it should be, and what it hinders of open, close and hold. Written from the list of
# what must never happen, not from the program.
ROWS: list[tuple[str, ValveFacts, set[str], set[str], set[str]]] = [
    ("all is well", READY, set(), {"already-closed"}, set()),
    ("valve open", valve(report=told(Valve.OPEN, 9)), {"not-closed"}, set(), set()),
    ("valve moving", valve(report=told(Valve.MOVING, 9)), {"not-closed"}, set(), set()),
    ("valve unknown", valve(report=told(Valve.UNKNOWN, 9)), {"not-closed"}, set(), {"valve-unreported"}),
    ("valve silent", valve(report=None), {"not-closed"}, set(), {"valve-unreported"}),
    ("valve old", valve(report=told(Valve.CLOSED, 151)), {"not-closed"}, {"already-closed"},
     {"valve-unreported"}),
    ("valve not so old", valve(report=told(Valve.CLOSED, 150)), set(), {"already-closed"}, set()),
    ("another order", valve(latest=ORDER), {"order-open"}, {"already-closed", "order-open"}, {"order-open"}),
    ("another is over", valve(latest=replace(ORDER, state=OrderState.REFUSED)), set(), {"already-closed"},
     set()),
    ("an open that was asked since", valve(latest=replace(ORDER, action=OrderAction.OPEN, expires_us=ago(1),
                                                         asked_us=ago(20))), set(), set(), set()),
    ("an open of before its report", valve(latest=replace(ORDER, action=OrderAction.OPEN, expires_us=ago(1))),
     set(), {"already-closed"}, set()),
    ("another ran out", valve(latest=replace(ORDER, expires_us=NOW_US)), set(), {"already-closed"}, set()),
    ("revoked", valve(revoked=True), {"out-of-reach"}, {"already-closed", "out-of-reach"}, {"out-of-reach"}),
    ("offline", valve(online=False), {"out-of-reach"}, {"already-closed", "out-of-reach"}, {"out-of-reach"}),
    ("never online", valve(online=None), {"out-of-reach"}, {"already-closed", "out-of-reach"},
     {"out-of-reach"}),
    ("hands", replace(READY, hands=True), {"local-hands"}, {"already-closed", "local-hands"},
     {"local-hands"}),
    ("off", replace(READY, opening_allowed=False), {"opening-off"}, {"already-closed"}, set()),
    ("not named", replace(READY, may_open_here=False), {"not-named"}, {"already-closed"}, set()),
    ("no pump", replace(READY, pump=None), {"pump"}, {"already-closed"}, set()),
    ("pump stands", pump(False, 900, 10, 9), {"pump"}, {"already-closed"}, set()),
    ("pump old", pump(True, 900, 151, 150), {"pump"}, {"already-closed"}, set()),
    ("pump came late", pump(True, 900, 151, 1), {"pump"}, {"already-closed"}, set()),
    ("pump's clock is ahead", pump(True, 900, -200, 151), {"pump"}, {"already-closed"}, set()),
    ("pump's report from a clock that is ahead of ours", pump(True, 900, -160, -151), {"pump"},
     {"already-closed"}, set()),
    ("pump for 119 s", pump(True, 139, 20, 19), {"pump"}, {"already-closed"}, set()),
    ("pump for 120 s", pump(True, 140, 20, 19), set(), {"already-closed"}, set()),
    ("no circuit gauge", replace(READY, circuit=None), {"circuit-unknown"}, {"already-closed"},
     {"gauge-unfit"}),
    ("circuit silent", circuit(at_us=ago(61)), {"circuit-unknown"}, {"already-closed"}, {"gauge-unfit"}),
    ("circuit slow", circuit(at_us=ago(61), interval_s=13.0), set(), {"already-closed"}, set()),
    ("circuit never", circuit(pressure_pa=None), {"circuit-unknown"}, {"already-closed"}, {"gauge-unfit"}),
    ("circuit nan", circuit(pressure_pa=float("nan")), {"circuit-unknown", "backwards"}, {"already-closed"},
     {"gauge-unfit"}),
    ("circuit at top", circuit(at_top=True), {"circuit-unknown"}, {"already-closed"}, {"gauge-unfit"}),
    ("circuit fault", circuit(fault=True), {"circuit-unknown"}, {"already-closed"}, {"gauge-unfit"}),
    ("circuit suspect", circuit(suspect=True), {"gauge-suspect"}, {"already-closed"}, {"gauge-unfit"}),
    ("no pump-side gauge", replace(READY, pump_side=None), {"pump-side-unknown"}, {"already-closed"}, set()),
    ("pump side silent", pump_side(at_us=ago(61)), {"pump-side-unknown"}, {"already-closed"}, set()),
    ("pump side at top", pump_side(at_top=True), {"pump-side-unknown", "backwards"}, {"already-closed"},
     set()),
    ("pump side at top from the beginning", pump_side(at_top=True, pressure_pa=None),
     {"pump-side-unknown", "backwards"}, {"already-closed"}, set()),
    ("pump side suspect", pump_side(suspect=True), {"pump-side-unknown"}, {"already-closed"}, set()),
    ("pump side never", pump_side(pressure_pa=None), {"pump-side-unknown"}, {"already-closed"}, set()),
    ("only a pump-side gauge", replace(READY, circuit=None), {"circuit-unknown"}, {"already-closed"},
     {"gauge-unfit"}),
    ("circuit lower", circuit(pressure_pa=7.0), {"backwards"}, {"already-closed"}, set()),
    ("circuit no lower for certain", circuit(pressure_pa=10.0), {"backwards"}, {"already-closed"}, set()),
    ("circuit higher for certain", circuit(pressure_pa=10.5), set(), {"already-closed"}, set()),
    ("above target", replace(READY, target_reached=False), set(), {"already-closed"}, {"above-target"}),
    ("battery unknown", replace(READY, battery=Battery("g1", None)), set(), {"already-closed"}, {"battery"}),
    ("battery too short", replace(READY, battery=Battery("g1", NOW_US + 10 * 3600 * US - 1)), set(),
     {"already-closed"}, {"battery"}),
    ("battery just lasts", replace(READY, battery=Battery("g1", NOW_US + 10 * 3600 * US)), set(),
     {"already-closed"}, set()),
    ("no battery", replace(READY, battery=None), set(), {"already-closed"}, set()),
    ("page fresh", replace(READY, page=Page(ago(120), READY.version)), set(), {"already-closed"}, set()),
    ("page old", replace(READY, page=Page(ago(121), READY.version)), {"stale-page"},
     {"stale-page", "already-closed"}, {"stale-page"}),
    ("page of the future", replace(READY, page=Page(ago(-6), READY.version)), {"stale-page"},
     {"stale-page", "already-closed"}, {"stale-page"}),
    ("page of another time", replace(READY, page=Page(ago(1), pump(False, 9, 9, 9).version)), {"stale-page"},
     {"stale-page", "already-closed"}, {"stale-page"}),
]  # fmt: skip


@pytest.mark.parametrize(("facts", "opens", "closes", "holds"), [row[1:] for row in ROWS],
                         ids=[row[0] for row in ROWS])  # fmt: skip
def test_what_hinders_what(facts: ValveFacts, opens: set[str], closes: set[str], holds: set[str]) -> None:
    assert (set(ids(Deed.OPEN, facts)), set(ids(Deed.CLOSE, facts)), set(ids(Deed.HOLD, facts))) == (
        opens, closes, holds,
    )  # fmt: skip


def test_every_interlock_is_in_the_table_above() -> None:
    seen = {one for row in ROWS for found in row[2:] for one in found}
    assert seen == set(interlocks.BY_ID)


def test_every_hindrance_is_a_sentence_and_every_check_has_words() -> None:
    for _, facts, *_ in ROWS:
        for deed in Deed:
            for one in hindrances(deed, facts):
                assert one.text[0].isupper()
                assert one.text.endswith(".")
    assert all(row.title for row in interlocks.TABLE)


def test_who_may_override_what() -> None:
    """The whole list, so that nothing becomes open to an override by a slip."""
    assert {row.id: row.overridden_by for row in interlocks.TABLE if row.overridden_by is not Who.NOBODY} == {
        "pump-side-unknown": Who.ON_SITE,
        "gauge-suspect": Who.ON_SITE,
        "above-target": Who.PERSON,
        "battery": Who.PERSON,
    }


ABOVE = replace(READY, target_reached=False)
BLIND = replace(READY, pump_side=None)


def test_an_override_needs_a_reason_and_the_one_on_site_that_somebody_is_there() -> None:
    with pytest.raises(Hindered, match="The target has not been held"):
        check(Deed.HOLD, ABOVE)
    for reason in ("", "    ok  ", "two\nlines", "x" * 2001):
        with pytest.raises(BadInput, match="Write down") as caught:
            check(Deed.HOLD, ABOVE, Override(frozenset({"above-target"}), reason))
        assert caught.value.field == "override_reason"
    wanted = Override(frozenset({"above-target", "pump"}), "Only a trial of the fittings")
    assert check(Deed.HOLD, ABOVE, wanted) == {"above-target"}
    there = Override(frozenset({"pump-side-unknown"}), "I stand beside the pump", on_site=True)
    assert check(Deed.OPEN, BLIND, there) == {"pump-side-unknown"}
    with pytest.raises(Hindered) as refused:
        check(Deed.OPEN, BLIND, replace(there, on_site=False))
    assert list(refused.value.reasons) == ["pump-side-unknown"]


def test_no_plan_overrides_anything() -> None:
    wanted = Override(frozenset(interlocks.BY_ID), "because it says so", on_site=True)
    for facts, deed in ((ABOVE, Deed.HOLD), (BLIND, Deed.OPEN)):
        with pytest.raises(Hindered):
            check(deed, replace(facts, automatic=True), wanted)


def test_an_opening_requires_a_running_pump_a_closed_valve_and_the_pressure_it_was_decided_on() -> None:
    assert interlocks.requirements(READY) == Require(120.0, 1.5 * 300.0 + 133.0, Valve.CLOSED)
    with pytest.raises(Hindered):
        interlocks.requirements(replace(READY, circuit=None))


SECONDS = st.sampled_from([0.0, 1.0, 59.0, 61.0, 149.0, 151.0, 4000.0, -1.0, -300.0])
PRESSURES = st.sampled_from([None, -1.0, 0.0, 5.0, 8.0, 66.0, 300.0, 5000.0, float("nan"), float("inf")])


@st.composite
def gauges(draw: st.DrawFn) -> GaugeReport:
    return GaugeReport(
        "g", draw(st.sampled_from([1.0, 10.0, 60.0])), draw(st.sampled_from([0.0, 0.1, 0.3])),
        draw(PRESSURES), ago(draw(SECONDS)), ago(draw(SECONDS)), *(draw(st.booleans()) for _ in range(3)),
    )  # fmt: skip


@st.composite
def facts_of(draw: st.DrawFn) -> ValveFacts:
    position = draw(st.sampled_from([None, *Valve]))
    report = None if position is None else Report(position, ago(draw(SECONDS)), 0, ago(draw(SECONDS)))
    valve = replace(
        VALVE, online=draw(st.sampled_from([None, False, True])), revoked=draw(st.booleans()), report=report,
        latest=draw(st.sampled_from([None, ORDER, replace(ORDER, state=OrderState.DONE)])),
    )  # fmt: skip
    at_us = ago(draw(SECONDS))
    reported = PumpReport(draw(st.booleans()), at_us - draw(st.sampled_from([0, 119 * US, 120 * US, 10**12])),
                          at_us, ago(draw(SECONDS)))  # fmt: skip
    return ValveFacts(
        NOW_US, valve, draw(st.booleans()), draw(st.booleans()), draw(st.booleans()), draw(st.booleans()),
        draw(st.sampled_from([None, reported])), draw(st.none() | gauges()), draw(st.none() | gauges()),
        draw(st.sampled_from([None, Page(ago(1), "x"), Page(ago(1), READY.version)])), draw(st.booleans()),
        NOW_US, draw(st.sampled_from([None, Battery("b", None), Battery("b", NOW_US + 7200 * US)])),
    )  # fmt: skip


@st.composite
def overrides(draw: st.DrawFn) -> Override:
    chosen = draw(st.frozensets(st.sampled_from(sorted(interlocks.BY_ID))))
    return Override(chosen, "a reason in words", draw(st.booleans()))


@given(facts_of(), overrides())
@example(READY, Override())
@example(BLIND, Override(frozenset({"pump-side-unknown"}), "I stand beside it", on_site=True))
@settings(max_examples=400)
def test_whatever_is_overridden_an_opening_that_passes_is_to_a_running_pump(
    facts: ValveFacts, override: Override
) -> None:
    try:
        check(Deed.OPEN, facts, override)
    except Hindered:
        return
    pump, gauge = facts.pump, facts.circuit
    assert pump is not None
    assert pump.running
    assert pump.at_us - pump.since_us >= 120 * US
    assert NOW_US - pump.at_us <= 150 * US
    assert NOW_US - pump.arrived_us <= 150 * US
    assert facts.valve.report is not None
    assert facts.valve.report.position is Valve.CLOSED
    assert facts.valve.online
    assert not facts.hands
    assert facts.opening_allowed
    assert facts.may_open_here
    assert facts.valve.latest is None or not facts.valve.latest.state.open
    assert gauge is not None
    assert gauge.pressure_pa is not None
    other = facts.pump_side
    if other is None or other.pressure_pa is None:
        assert override.on_site
        assert not facts.automatic
    elif NOW_US - min(other.at_us, other.arrived_us) <= 60 * US and not other.fault:
        assert gauge.pressure_pa >= other.pressure_pa
    # And whoever finds the gateway's requirements finds them whole.
    assert interlocks.requirements(facts).pump_running_s == 120.0


@given(facts_of(), overrides())
@settings(max_examples=200)
def test_an_override_takes_away_what_it_names_and_nothing_else(facts: ValveFacts, override: Override) -> None:
    for deed in Deed:
        found = hindrances(deed, facts)
        kept = left(found, override, automatic=facts.automatic)
        assert [one for one in found if one in kept] == list(kept)
        for one in found:
            if one not in kept:
                assert one.id in override.interlocks
                assert one.overridden_by is not Who.NOBODY


def test_a_ticket_carries_a_page_there_and_back() -> None:
    page = Page(NOW_US, READY.version)
    assert Page.parse(page.ticket) == page
    for nonsense in ("", "x", ".", "1.", "-1.a", "٣.a", "9" * 19 + ".a"):
        assert Page.parse(nonsense) is None
    assert isinstance(hindrances(Deed.OPEN, replace(READY, hands=True))[0], Hindrance)
