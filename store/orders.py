"""Orders to valves: written down before they are sent, claimed by couriers, ended by outcome or expiry.

Every change of state is an event of the job that the valve served, recorded in the same transaction. When an
order is next given to the broker is wall time by the database's own clock, like everything about networks.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from psycopg import errors
from psycopg.types.json import Jsonb

from model.clock import US, to_datetime, to_us
from model.equipment import Role
from model.errors import Conflict, NotFound
from model.event import EventKind
from model.order import (
    TRANSITIONS,
    KnownValve,
    Order,
    OrderAction,
    OrderResult,
    OrderState,
    Outcome,
    Report,
    Require,
    Watch,
)
from model.reading import Quantity, Valve
from store import audit, events, timers
from store.database import Connection
from store.events import NewEvent
from store.lists import Listing
from store.timers import Timer

CHANNEL = "valve_order"
EXPIRY = "order-expiry"
OPENING_WATCH, CLOSING_WATCH = "opening-watch", "closing-watch"
"""Kinds of timers, whose subject is the order's number: of an open order; of an order to open, until it is
known what it did; of a close that is done, until the pressure has shown whether it holds."""
WATCH_S = 10.0
"""So often they are looked at."""

SELECT = """
    SELECT o.*, i.name AS valve, g.name AS gateway, g.site_id, s.time_zone, p.name AS asked_by_name
    FROM valve_order o JOIN instrument i ON i.id = o.instrument_id JOIN gateway g ON g.id = i.gateway_id
    JOIN site s ON s.id = g.site_id LEFT JOIN person p ON p.id = o.asked_by
"""

ORDERS = Listing(
    SELECT + "WHERE (%(job)s::int IS NULL OR o.job_id = %(job)s) "
    "AND (%(instrument)s::int IS NULL OR o.instrument_id = %(instrument)s) "
    "AND (%(state)s::text IS NULL OR o.state = %(state)s)",
    newest_first=True,
)

INSERT = """
    INSERT INTO valve_order (token, instrument_id, job_id, action, state, reason, asked_by, asked_at, session,
                             boot, ttl_s, expires_at, require, overridden, override_reason, send_at)
    SELECT %(token)s, %(instrument_id)s, %(job_id)s, %(action)s, 'asked', %(reason)s, %(asked_by)s,
           %(asked_at)s, %(session)s, %(boot)s, %(ttl_s)s, %(expires_at)s, %(require)s, %(overridden)s,
           %(override_reason)s, clock_timestamp()
    WHERE coalesce((SELECT max(id) FROM valve_order WHERE instrument_id = %(instrument_id)s), 0) = %(latest)s
    RETURNING id
"""

# Committed before anything is published: a courier that dies in between is followed by another after a while.
# An open goes on its way only while what it was given under still holds; it expires else.
CLAIM = """
    UPDATE valve_order SET sends = sends + 1, send_at = clock_timestamp()
        + make_interval(secs => least(%(again_s)s * power(2, least(sends, 20)), %(longest_s)s))
    WHERE id IN (
        SELECT o.id FROM valve_order o
        WHERE o.state IN ('asked', 'sent') AND o.send_at <= clock_timestamp() AND o.expires_at > %(now)s
          AND (o.action = 'close' OR EXISTS (
              SELECT FROM instrument i JOIN gateway g ON g.id = i.gateway_id JOIN site s ON s.id = g.site_id
              LEFT JOIN site_opener r ON r.site_id = s.id AND r.person_id = o.asked_by
              LEFT JOIN person p ON p.id = r.person_id AND p.disabled_at IS NULL
              WHERE i.id = o.instrument_id AND s.opening_from_afar AND g.revoked_at IS NULL
                AND (o.asked_by IS NULL OR p.id IS NOT NULL)))
        ORDER BY o.id LIMIT %(limit)s FOR NO KEY UPDATE OF o SKIP LOCKED)
    RETURNING id
"""

SEND_AGAIN = """
    UPDATE valve_order o SET send_at = clock_timestamp() FROM instrument i
    WHERE i.id = o.instrument_id AND i.gateway_id = ANY(%s) AND o.state IN ('asked', 'sent')
"""

UPDATE = """
    UPDATE valve_order SET state = %(state)s, sent_at = %(sent_at)s, result = %(result)s,
        result_reason = %(result_reason)s, result_at = %(result_at)s,
        result_arrived_at = %(result_arrived_at)s, expired_at = %(expired_at)s
    WHERE id = %(id)s
"""

KNOWN = """
    SELECT i.id, i.name, i.role, i.interval_s, g.name AS gateway, g.revoked_at, g.site_id, s.time_zone,
           a.job_id, p.online, p.session, p.boot, p.arrived_at
    FROM instrument i JOIN gateway g ON g.id = i.gateway_id JOIN site s ON s.id = g.site_id
    LEFT JOIN assignment a ON a.instrument_id = i.id AND a.until IS NULL
    LEFT JOIN gateway_presence p ON p.gateway_id = g.id
    WHERE i.id = ANY(%s) ORDER BY i.id
"""

REPORT = """
    SELECT l.value, l.time, l.arrived, (
        SELECT min(r.time) FROM reading r
        WHERE r.instrument_id = l.instrument_id AND r.quantity = l.quantity AND r.place_id = l.place_id
          AND r.value = l.value AND r.time > coalesce((
            SELECT max(o.time) FROM reading o
            WHERE o.instrument_id = l.instrument_id AND o.quantity = l.quantity AND o.place_id = l.place_id
              AND o.value <> l.value AND o.time < l.time), '-infinity')) AS since
    FROM latest l WHERE l.instrument_id = %s AND l.quantity = %s AND l.place_id = 1
"""

ANSWER = """
    WITH since AS (
        SELECT value, time, arrived FROM reading_of(%(valve)s, %(act)s, 'infinity')
        WHERE quantity = %(quantity)s AND place_id = 1 AND arrived >= %(asked)s
          AND arrived < coalesce((SELECT min(asked_at) FROM valve_order
                                  WHERE instrument_id = %(valve)s AND id > %(order)s), 'infinity')
    )
    SELECT value, time, arrived FROM since
    WHERE time <= greatest(%(act)s + make_interval(secs => %(travel_s)s), (SELECT min(time) FROM since))
    ORDER BY value = %(wanted)s DESC, time LIMIT 1
"""
TRAVEL_S = 600.0
"""A valve that reports the ordered position within that time of the act has followed the order. Our own
choice: far longer than a motor needs; a valve that reports more rarely is taken at its first word."""

KINDS = {
    OrderState.ASKED: EventKind.ORDER_ASKED,
    OrderState.SENT: EventKind.ORDER_SENT,
    OrderState.DONE: EventKind.ORDER_DONE,
    OrderState.REFUSED: EventKind.ORDER_REFUSED,
    OrderState.FAILED: EventKind.ORDER_FAILED,
    OrderState.EXPIRED: EventKind.ORDER_EXPIRED,
}


@dataclass(frozen=True, slots=True)
class Wish:
    """An order that somebody wants to give and that nothing hinders (`desk.core.order_life.check`).

    Parameters
    ----------
    person_id, person : int, str or None
        Who; None: the system itself.
    require : Require
        What the gateway must find confirmed; of an open always something, see `desk.core.interlocks`.
    overridden, override_reason
        See `Order`.
    """

    action: OrderAction
    reason: str
    ttl_s: float
    person_id: int | None
    person: str | None
    require: Require = field(default_factory=Require)
    overridden: frozenset[str] = frozenset()
    override_reason: str = ""


# Asking ---------------------------------------------------------------------------------------------


def known(conn: Connection, instrument_id: int) -> KnownValve:
    """What is known of an instrument that shall be given an order; raises `NotFound`."""
    found = known_all(conn, [instrument_id])
    if not found:
        raise NotFound(f"There is no instrument {instrument_id}.", field="instrument_id")
    return found[0]


def known_all(conn: Connection, instrument_ids: Sequence[int]) -> list[KnownValve]:
    """The same of several, by number."""
    return [
        KnownValve(
            instrument_id=row["id"],
            name=row["name"],
            role=Role(row["role"]),
            interval_s=row["interval_s"],
            gateway=row["gateway"],
            revoked=row["revoked_at"] is not None,
            site_id=row["site_id"],
            time_zone=row["time_zone"],
            job_id=row["job_id"],
            online=row["online"],
            session=row["session"] or "",
            boot=row["boot"],
            presence_us=_us(row["arrived_at"]),
            report=report(conn, row["id"]),
            latest=latest,
            answer=None if latest is None else answer(conn, latest),
        )
        for row in conn.execute(KNOWN, (list(instrument_ids),)).fetchall()
        for latest in [_latest(conn, row["id"])]
    ]


def is_revoked(conn: Connection, instrument_id: int) -> bool:
    """Whether nothing reaches a valve any more, because its gateway is revoked."""
    return known(conn, instrument_id).revoked


def no_valve(job_id: int, site_id: int, time_zone: str) -> KnownValve:
    """What is known where nothing at a job can be moved from afar."""
    return KnownValve(
        0, "", Role.VALVE, 0.0, "", False, site_id, time_zone, job_id, None, "", None, None, None, None
    )


def report(conn: Connection, instrument_id: int) -> Report | None:
    """What a valve last reported by event time, None if it never did."""
    row = conn.execute(REPORT, (instrument_id, int(Quantity.VALVE))).fetchone()
    if row is None:
        return None
    at_us = to_us(row["time"])
    return Report(Valve(int(row["value"])), at_us, _us(row["since"]) or at_us, to_us(row["arrived"]))


def answer(conn: Connection, order: Order) -> Report | None:
    """What the valve itself reported of an act, None if it has reported nothing since or nothing was done.

    The first report of the ordered position at or after the act, else the first of another one. What happens
    to the valve later says nothing of the order; and whatever the gateway's clock says, no report that was
    here before the order was asked for is an answer to it, nor one that came after the next order was.
    That a person closed the valve by hand within `TRAVEL_S` cannot be told from the order's own doing.
    """
    if order.state is not OrderState.DONE or order.outcome is None:
        return None
    wanted = Valve.CLOSED if order.action is OrderAction.CLOSE else Valve.OPEN
    given = {
        "valve": order.instrument_id,
        "order": order.id,
        "quantity": int(Quantity.VALVE),
        "act": to_datetime(order.outcome.at_us),
        "asked": to_datetime(order.asked_us),
        "travel_s": TRAVEL_S,
        "wanted": float(wanted),
    }
    row = conn.execute(ANSWER, given).fetchone()
    if row is None:
        return None
    at_us = to_us(row["time"])
    return Report(Valve(int(row["value"])), at_us, at_us, to_us(row["arrived"]))


def ask(conn: Connection, valve: KnownValve, wish: Wish, now_us: int) -> Order:
    """Write an order down, with its expiry, and tell the couriers once it is committed.

    An earlier one that is past its time and that nobody has looked at yet expires first: a desk that stands
    still must keep nobody from closing a valve.

    Raises
    ------
    Conflict
        If another order for the valve is open, or was given since ``valve`` was read: it may have moved it.
    """
    order = Order(
        id=0,
        token=str(uuid.uuid4()),
        instrument_id=valve.instrument_id,
        valve=valve.name,
        gateway=valve.gateway,
        site_id=valve.site_id,
        time_zone=valve.time_zone,
        job_id=valve.job_id,
        action=wish.action,
        state=OrderState.ASKED,
        reason=wish.reason,
        asked_by=wish.person,
        asked_us=now_us,
        session=valve.session,
        boot=valve.boot,
        ttl_s=wish.ttl_s,
        expires_us=now_us + round(wish.ttl_s * 1_000_000),
        require=wish.require,
        overridden=tuple(sorted(wish.overridden)),
        override_reason=wish.override_reason if wish.overridden else "",
    )
    if valve.latest is not None and valve.latest.state.open and valve.latest.expires_us <= now_us:
        lock(conn, valve.latest.id)
        timers.drop(conn, EXPIRY, [str(valve.latest.id)])
        expire(conn, valve.latest.id, now_us)
    order = replace(order, id=_insert(conn, order, wish.person_id, valve.latest))
    timers.put(conn, [Timer(EXPIRY, str(order.id), order.expires_us), *_watch(order, now_us)])
    audit.record(
        conn,
        wish.person_id,
        f"order-{order.action.value}",
        f"order:{order.id}",
        to_datetime(now_us),
        valve=f"{order.gateway}/{order.valve}",
        reason=order.reason,
        overridden=list(order.overridden),
        override_reason=order.override_reason,
    )
    _tell(conn)
    _record(conn, [order], now_us)
    return order


def _watch(order: Order, now_us: int) -> list[Timer]:
    """The timer that looks at what an act does to the pressure.

    Of an order to open it is there from the beginning: whatever becomes of it, it may have been carried out.
    """
    kind = OPENING_WATCH if order.action is OrderAction.OPEN else CLOSING_WATCH
    if order.action is OrderAction.CLOSE and order.state is not OrderState.DONE:
        return []
    return [Timer(kind, str(order.id), now_us + round(WATCH_S * US))]


def _insert(conn: Connection, order: Order, person_id: int | None, latest: Order | None) -> int:
    try:
        with conn.transaction():
            row = conn.execute(
                INSERT,
                {
                    "token": order.token,
                    "instrument_id": order.instrument_id,
                    "job_id": order.job_id,
                    "action": order.action,
                    "reason": order.reason,
                    "asked_by": person_id,
                    "asked_at": to_datetime(order.asked_us),
                    "session": order.session,
                    "boot": order.boot,
                    "ttl_s": order.ttl_s,
                    "expires_at": to_datetime(order.expires_us),
                    "require": Jsonb({k: v for k, v in asdict(order.require).items() if v is not None}),
                    "overridden": list(order.overridden),
                    "override_reason": order.override_reason,
                    "latest": 0 if latest is None else latest.id,
                },
            ).fetchone()
    except errors.UniqueViolation as error:
        first = _latest(conn, order.instrument_id)
        number = f"Order {first.id}" if first else "Another order"
        raise Conflict(f"{number} for this valve is still open.") from error
    if row is None:
        raise Conflict("Another order for this valve was given meanwhile: look again, then decide.")
    return int(row["id"])


def by_id(conn: Connection, order_id: int) -> Order:
    """One order; raises `NotFound`."""
    row = conn.execute(SELECT + "WHERE o.id = %s", (order_id,)).fetchone()
    if row is None:
        raise NotFound(f"There is no order {order_id}.")
    return from_row(row)


def _latest(conn: Connection, instrument_id: int) -> Order | None:
    row = conn.execute(
        SELECT + "WHERE o.instrument_id = %s ORDER BY o.id DESC LIMIT 1", (instrument_id,)
    ).fetchone()
    return None if row is None else from_row(row)


# Sending --------------------------------------------------------------------------------------------


def claim(conn: Connection, now_us: int, limit: int, again_s: float, longest_s: float) -> list[Order]:
    """Take open orders that are due at the broker, each for one courier only.

    They are due again after ``again_s`` seconds, doubled each time up to ``longest_s``: what a courier
    took and did not send is sent by whoever comes then.
    """
    with conn.transaction():
        rows = conn.execute(
            CLAIM, {"again_s": again_s, "longest_s": longest_s, "now": to_datetime(now_us), "limit": limit}
        ).fetchall()
        return [by_id(conn, row["id"]) for row in sorted(rows, key=lambda row: row["id"])]


def sent(conn: Connection, order_ids: Sequence[int], now_us: int) -> None:
    """The broker has them; one that has an outcome by now, or was sent before, is left as it is."""
    with conn.transaction():
        asked = [order for order in _lock(conn, order_ids) if order.state is OrderState.ASKED]
        _move(conn, [replace(order, state=OrderState.SENT, sent_us=now_us) for order in asked], now_us)


def send_again(conn: Connection, gateway_ids: Iterable[int]) -> None:
    """Open orders of gateways that have just come (back) are due at once."""
    if conn.execute(SEND_AGAIN, (sorted(set(gateway_ids)),)).rowcount:
        _tell(conn)


# Ending ---------------------------------------------------------------------------------------------


def with_tokens(conn: Connection, tokens: Iterable[str]) -> dict[str, Order]:
    """Orders by their ids towards gateways."""
    rows = conn.execute(SELECT + "WHERE o.token = ANY(%s)", (sorted(set(tokens)),)).fetchall()
    return {row["token"]: from_row(row) for row in rows}


def settle(conn: Connection, outcomes: Sequence[tuple[int, Outcome]]) -> None:
    """Note what gateways say became of orders, by number, in the caller's transaction; the first stands.

    Call it last in a transaction, as it records events.
    """
    first: dict[int, Outcome] = {}
    for order_id, outcome in outcomes:
        first.setdefault(order_id, outcome)
    ended = [
        replace(order, state=first[order.id].result.state, outcome=first[order.id])
        for order in _lock(conn, list(first))
        if first[order.id].result.state in TRANSITIONS[order.state]
    ]
    timers.drop(conn, EXPIRY, [str(order.id) for order in ended])
    closed = [o for o in ended if o.action is OrderAction.CLOSE and o.state is OrderState.DONE]
    timers.put(conn, [timer for o in closed for timer in _watch(o, first[o.id].arrived_us)])
    _move(conn, ended, max((outcome.arrived_us for outcome in first.values()), default=0))


def expire(conn: Connection, order_id: int, now_us: int) -> None:
    """Nobody answered in time; in the caller's transaction, after `lock`. Records an event: call it last."""
    open_ones = [order for order in _lock(conn, [order_id]) if order.state.open]
    _move(conn, [replace(order, state=OrderState.EXPIRED, expired_us=now_us) for order in open_ones], now_us)


def lock(conn: Connection, order_id: int) -> Order | None:
    """An order, held until the transaction ends."""
    return next(iter(_lock(conn, [order_id])), None)


def _lock(conn: Connection, order_ids: Sequence[int]) -> list[Order]:
    rows = conn.execute(
        SELECT + "WHERE o.id = ANY(%s) ORDER BY o.id FOR NO KEY UPDATE OF o", (list(order_ids),)
    ).fetchall()
    return [from_row(row) for row in rows]


def _move(conn: Connection, orders: Sequence[Order], now_us: int) -> None:
    for order in orders:
        outcome = order.outcome
        conn.execute(
            UPDATE,
            {
                "id": order.id,
                "state": order.state,
                "sent_at": None if order.sent_us is None else to_datetime(order.sent_us),
                "result": None if outcome is None else outcome.result,
                "result_reason": "" if outcome is None else outcome.reason,
                "result_at": None if outcome is None else to_datetime(outcome.at_us),
                "result_arrived_at": None if outcome is None else to_datetime(outcome.arrived_us),
                "expired_at": None if order.expired_us is None else to_datetime(order.expired_us),
            },
        )
    _record(conn, orders, now_us)


# Telling --------------------------------------------------------------------------------------------


def _tell(conn: Connection) -> None:
    conn.execute("SELECT pg_notify(%s, '')", (CHANNEL,))


def _record(conn: Connection, orders: Sequence[Order], now_us: int) -> None:
    told = [
        NewEvent(
            kind=KINDS[order.state],
            happened_us=_happened_us(order, now_us),
            text=sentence(order),
            subject=f"order:{order.id}",
            site_id=order.site_id,
            job_id=order.job_id,
            data={
                "order": order.id,
                "valve": f"{order.gateway}/{order.valve}",
                "action": order.action.value,
                "late": order.late,
            },
        )
        for order in orders
    ]
    events.record(conn, told, now_us)


def _happened_us(order: Order, now_us: int) -> int:
    return now_us if order.outcome is None else order.outcome.at_us


def sentence(order: Order) -> str:
    """What has become of an order, for people. It says nothing of where the valve stands."""
    act = f"{order.action.value} valve {order.valve}"
    answer = order.outcome.reason if order.outcome and order.outcome.reason else "no reason given"
    if order.state is OrderState.ASKED:
        who = f" by {order.asked_by}" if order.asked_by else ""
        return f"Order to {act} asked for{who}" + (f": {order.reason}." if order.reason else ".")
    text = {
        OrderState.SENT: f"Order to {act} sent.",
        OrderState.DONE: f"Order to {act} done, says the gateway",
        OrderState.REFUSED: f"The gateway refused to {act}: {answer}",
        OrderState.FAILED: f"Order to {act} failed, says the gateway: {answer}",
        OrderState.EXPIRED: f"Order to {act} expired without an answer; it is not sent any more.",
    }[order.state]
    if order.outcome is None:
        return text
    return text + (" (after the order had expired)." if order.late else ".")


def from_row(row: dict[str, Any]) -> Order:
    """An order from a row of `SELECT`."""
    require = dict(row["require"])
    if "position" in require:
        require["position"] = Valve(require["position"])
    outcome = None
    if row["result"] is not None:
        outcome = Outcome(
            OrderResult(row["result"]),
            row["result_reason"],
            to_us(row["result_at"]),
            to_us(row["result_arrived_at"]),
        )
    return Order(
        id=row["id"],
        token=row["token"],
        instrument_id=row["instrument_id"],
        valve=row["valve"],
        gateway=row["gateway"],
        site_id=row["site_id"],
        time_zone=row["time_zone"],
        job_id=row["job_id"],
        action=OrderAction(row["action"]),
        state=OrderState(row["state"]),
        reason=row["reason"],
        asked_by=row["asked_by_name"],
        asked_us=to_us(row["asked_at"]),
        session=row["session"],
        boot=row["boot"],
        ttl_s=row["ttl_s"],
        expires_us=to_us(row["expires_at"]),
        sent_us=_us(row["sent_at"]),
        sends=row["sends"],
        outcome=outcome,
        expired_us=_us(row["expired_at"]),
        require=Require(**require),
        overridden=tuple(row["overridden"]),
        override_reason=row["override_reason"],
        holds=row["holds"],
        watch=None if row["watch"] is None else Watch(row["watch"]),
    )


def _us(moment: Any) -> int | None:
    return None if moment is None else to_us(moment)
