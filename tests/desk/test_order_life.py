"""Whether an order may be given, when it is over, and whether the valve confirms it: pure functions."""

from __future__ import annotations

from dataclasses import replace

import pytest

from desk.core import order_life
from desk.core.order_life import Standing, check, is_due, standing
from model.clock import US
from model.equipment import Role
from model.errors import BadInput, Conflict
from model.order import (
    TRANSITIONS,
    KnownValve,
    Order,
    OrderAction,
    OrderResult,
    OrderState,
    Outcome,
    Report,
    Watch,
)
from model.reading import Valve
from model.valve_facts import ValveFacts

NIGHT_US = 1_763_000_000 * US
"""03:13:20 on 13 November 2025 in Lisbon: 02:13:20 UTC."""

ORDER = Order(
    id=7, token="t", instrument_id=3, valve="v1", gateway="gw1", site_id=1, time_zone="Europe/Berlin",
    job_id=1, action=OrderAction.CLOSE, state=OrderState.ASKED, reason="", asked_by=None, asked_us=NIGHT_US,
    session="s1", boot="b1", ttl_s=300.0, expires_us=NIGHT_US + 300 * US,
)  # fmt: skip
VALVE = KnownValve(
    instrument_id=3, name="v1", role=Role.VALVE, interval_s=60.0, gateway="gw1", revoked=False, site_id=1,
    time_zone="Europe/Berlin", job_id=1, online=True, session="s1", boot="b1", presence_us=NIGHT_US,
    report=Report(Valve.OPEN, NIGHT_US - 30 * US, NIGHT_US - 3600 * US, NIGHT_US - 29 * US), latest=None,
)  # fmt: skip


def may(valve: KnownValve = VALVE, action: OrderAction = OrderAction.CLOSE, **changes: object) -> None:
    given = {"reason": "", "ttl_s": 300.0, **changes}
    facts = ValveFacts(NIGHT_US, valve)
    assert check(action, str(given["reason"]), float(str(given["ttl_s"])), facts) == frozenset()


def closed(ago_s: float) -> KnownValve:
    at_us = NIGHT_US - round(ago_s * US)
    return replace(VALVE, report=Report(Valve.CLOSED, at_us, at_us - 7200 * US, at_us))


def test_an_open_valve_of_a_gateway_in_reach_may_be_closed() -> None:
    may()
    for position in (Valve.MOVING, Valve.UNKNOWN):
        report = Report(position, NIGHT_US, NIGHT_US, NIGHT_US)
        may(replace(VALVE, report=report))


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"action": OrderAction.OPEN, "ttl_s": 121}, "ttl_s", "to open lives for 10 to 120 seconds"),
        ({"valve": replace(VALVE, role=Role.GAUGE)}, "instrument_id", "gw1/v1 is no valve"),
        ({"ttl_s": 9.9}, "ttl_s", "10 to 3600 seconds"),
        ({"ttl_s": 3601}, "ttl_s", "10 to 3600 seconds"),
        ({"ttl_s": float("nan")}, "ttl_s", "10 to 3600 seconds"),
        ({"reason": "x" * 501}, "reason", "at most 500 characters"),
        ({"reason": "a\0b"}, "reason", "can be printed"),
    ],
)
def test_what_is_never_given(changes: dict[str, object], field: str, words: str) -> None:
    with pytest.raises(BadInput, match=words) as caught:
        may(**changes)  # type: ignore[arg-type]
    assert caught.value.field == field
    assert caught.value.status == 422


@pytest.mark.parametrize(
    ("valve", "words"),
    [
        (replace(VALVE, revoked=True), "revoked"),
        (replace(VALVE, online=None, presence_us=None), "has never reported itself"),
        (replace(VALVE, online=False), "out of reach since 2025-11-13T02:13:20Z"),
        (closed(ago_s=60), "reports closed already, since 2025-11-13T00:12:20Z"),
        (replace(VALVE, latest=ORDER), "Order 7 for this valve is still open: asked 2025-11-13T02:13:20Z"),
        (
            replace(VALVE, latest=replace(ORDER, state=OrderState.SENT, sent_us=NIGHT_US + 60 * US)),
            "Order 7 for this valve is still open: sent 2025-11-13T02:14:20Z",
        ),
    ],
)
def test_what_cannot_be_given_now(valve: KnownValve, words: str) -> None:
    with pytest.raises(Conflict, match=words):
        may(valve)


def test_an_old_report_of_closed_is_no_reason_to_refuse_a_close() -> None:
    may(closed(ago_s=301))
    with pytest.raises(Conflict):
        may(closed(ago_s=299))


def test_an_order_that_is_over_hinders_none() -> None:
    for state in OrderState:
        if not state.open:
            may(replace(VALVE, latest=replace(ORDER, state=state)))


def test_an_open_order_is_due_at_its_time_and_no_other_ever() -> None:
    assert not is_due(ORDER, ORDER.expires_us - 1)
    assert is_due(ORDER, ORDER.expires_us)
    assert is_due(replace(ORDER, state=OrderState.SENT), ORDER.expires_us)
    for state in OrderState:
        if not state.open:
            assert not is_due(replace(ORDER, state=state), ORDER.expires_us + US)


DONE = replace(
    ORDER, state=OrderState.DONE, outcome=Outcome(OrderResult.DONE, "", NIGHT_US + 9 * US, NIGHT_US + 10 * US)
)


@pytest.mark.parametrize(
    ("position", "expected"),
    [
        (Valve.CLOSED, Standing.REPORTED),
        (Valve.OPEN, Standing.CONTRADICTED),
        (Valve.MOVING, Standing.CONTRADICTED),
        (Valve.UNKNOWN, Standing.CONTRADICTED),
    ],
)
def test_the_valve_s_own_answer_confirms_an_order_or_contradicts_it(
    position: Valve, expected: Standing
) -> None:
    at_us = NIGHT_US + 12 * US
    assert standing(DONE, Report(position, at_us, at_us, at_us)) is expected


def test_a_close_is_done_when_position_and_pressure_agree() -> None:
    report = Report(Valve.CLOSED, NIGHT_US, NIGHT_US, NIGHT_US)
    assert standing(replace(DONE, holds=True), report) is Standing.CONFIRMED
    assert standing(replace(DONE, holds=False), report) is Standing.NOT_HOLDING
    assert standing(replace(DONE, holds=True), replace(report, position=Valve.OPEN)) is Standing.CONTRADICTED


def test_an_open_is_done_by_its_position_unless_the_pressure_did_not_fall() -> None:
    opened = replace(DONE, action=OrderAction.OPEN)
    report = Report(Valve.OPEN, NIGHT_US, NIGHT_US, NIGHT_US)
    for watch, expected in (
        (None, Standing.CONFIRMED),
        (Watch.FALLS, Standing.CONFIRMED),
        (Watch.UNSAFE, Standing.NOT_FOLLOWED),
        (Watch.SHUT, Standing.NOT_FOLLOWED),
    ):
        assert standing(replace(opened, watch=watch), report) is expected


def test_a_valve_that_never_reported_confirms_nothing_and_other_orders_have_no_standing() -> None:
    assert standing(DONE, None) is Standing.UNREPORTED
    for state in OrderState:
        if state is not OrderState.DONE:
            assert standing(replace(ORDER, state=state), VALVE.report) is None


def test_an_outcome_ends_an_order_for_good_and_may_come_after_expiry() -> None:
    ends = {OrderState.DONE, OrderState.REFUSED, OrderState.FAILED}
    for state in ends:
        assert TRANSITIONS[state] == frozenset()
    assert TRANSITIONS[OrderState.EXPIRED] == ends
    assert OrderState.SENT not in TRANSITIONS[OrderState.EXPIRED]
    assert order_life.USUAL_TTL_S <= order_life.LONGEST_TTL_S
