"""What has been proved before a hold is left to itself: by hand (rig, power), and by what closes showed."""

from __future__ import annotations

from typing import Any

from model.clock import US, to_datetime, to_us
from model.equipment import Role
from model.order import Order, OrderAction, OrderState
from model.preflight import Proof, ProofKind, Travel, TravelResult
from model.reading import Quantity, Valve
from model.texts import LONGEST_WORDS, check_text
from model.valve_facts import REPORT_FRESH_S
from store import audit, orders
from store.database import Connection, one

CLOSES_LOOKED_AT = 20
WATCHED_S = 900.0
"""By then the pressure has been looked at, or nobody will."""
PUMP_SEEN_S = 300.0

NEWEST = """
    SELECT f.at, f.passed, f.text, p.name AS person FROM proof f LEFT JOIN person p ON p.id = f.person_id
    WHERE f.kind = %(kind)s
      AND CASE WHEN f.kind = 'rig' THEN f.job_id = %(job)s ELSE f.instrument_id = %(instrument)s END
    ORDER BY f.id DESC LIMIT 1
"""
CLOSES = (
    orders.SELECT
    + "WHERE o.instrument_id = %s AND o.action = 'close' AND o.state IN ('done', 'failed') "
    + "ORDER BY o.id DESC LIMIT %s"
)
STOOD = """
    SELECT value FROM reading_of(%(valve)s, %(since)s, 'infinity')
    WHERE quantity = %(quantity)s AND place_id = 1 AND arrived < %(asked)s ORDER BY time DESC LIMIT 1
"""
STOOD_BACK_S = 3600.0
PUMP_RAN = """
    SELECT coalesce(bool_and(r.value <> 0), false) AS ran
    FROM assignment a JOIN instrument i ON i.id = a.instrument_id AND i.role = %(role)s,
         LATERAL reading_of(i.id, %(since)s, %(until)s) r
    WHERE a.job_id = %(job)s AND r.quantity = %(quantity)s AND r.place_id = 1
"""


def keep(
    conn: Connection,
    kind: ProofKind,
    now_us: int,
    *,
    job_id: int,
    person_id: int | None,
    passed: bool,
    text: str,
    instrument_id: int | None = None,
) -> None:
    """Write down what was proved; audited. Raises `BadInput` for words that cannot be kept."""
    text = check_text(text, "text", longest=LONGEST_WORDS)
    at = to_datetime(now_us)
    row = conn.execute(
        "INSERT INTO proof (kind, job_id, instrument_id, person_id, at, passed, text) "
        "VALUES (%s, %s, %s, %s, %s, %s, %s) RETURNING id",
        (kind, job_id, instrument_id, person_id, at, passed, text),
    ).fetchone()
    subject = f"job:{job_id}" if instrument_id is None else f"instrument:{instrument_id}"
    audit.record(
        conn, person_id, f"prove-{kind.value}", subject, at, proof=int(one(row)["id"]), passed=passed
    )


def newest(
    conn: Connection, kind: ProofKind, *, job_id: int = 0, instrument_id: int | None = None
) -> Proof | None:
    """The newest proof of a job's rig, or of a valve."""
    row = conn.execute(NEWEST, {"kind": kind, "job": job_id, "instrument": instrument_id}).fetchone()
    return None if row is None else Proof(to_us(row["at"]), row["passed"], row["text"], row["person"])


def travel(conn: Connection, valve_id: int, now_us: int) -> Travel | None:
    """What the newest close of a valve that stood open has shown; None: there was none."""
    for row in conn.execute(CLOSES, (valve_id, CLOSES_LOOKED_AT)).fetchall():
        order = orders.from_row(row)
        if _stood_open(conn, order):
            return _shown(conn, order, now_us)
    return None


def _stood_open(conn: Connection, order: Order) -> bool:
    given = {
        "valve": order.instrument_id,
        "quantity": int(Quantity.VALVE),
        "since": to_datetime(order.asked_us - round(STOOD_BACK_S * US)),
        "asked": to_datetime(order.asked_us),
    }
    found = conn.execute(STOOD, given).fetchone()
    return found is not None and Valve(int(found["value"])) in (Valve.OPEN, Valve.MOVING)


def _shown(conn: Connection, order: Order, now_us: int) -> Travel:
    outcome = order.outcome
    at_us = order.asked_us if outcome is None else outcome.at_us
    if order.action is not OrderAction.CLOSE or order.state is not OrderState.DONE:
        return Travel(TravelResult.FAILED, order.id, at_us)
    answer = orders.answer(conn, order)
    if answer is None or answer.position is not Valve.CLOSED:
        return Travel(TravelResult.NOT_CLOSED, order.id, at_us)
    seconds = (answer.arrived_us - order.asked_us) / US
    result = TravelResult.REPORTED
    if order.holds is False:
        result = TravelResult.NOT_HOLDING
    elif order.holds is None and now_us - answer.arrived_us < WATCHED_S * US:
        result = TravelResult.WATCHED
    elif order.holds and _pump_ran(conn, order.job_id, answer.at_us):
        # Of a pump that stands no pressure falls, wherever the valve stands.
        result = TravelResult.PROVED
    return Travel(result, order.id, at_us, seconds)


def _pump_ran(conn: Connection, job_id: int | None, closed_us: int) -> bool:
    given: dict[str, Any] = {
        "job": job_id,
        "role": Role.PUMP,
        "quantity": int(Quantity.PUMP),
        "since": to_datetime(closed_us - round(REPORT_FRESH_S * US)),
        "until": to_datetime(closed_us + round(PUMP_SEEN_S * US)),
    }
    return bool(one(conn.execute(PUMP_RAN, given).fetchone())["ran"])
