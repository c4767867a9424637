"""What the watches after an act look at, and where they note what they saw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from model.clock import to_datetime, to_us
from model.equipment import Position, Role
from model.event import EventKind
from model.order import Order, Report, Watch
from model.reading import Quantity, Valve
from store import events
from store.database import Connection
from store.events import NewEvent

GAUGE = """
    SELECT i.id, i.accuracy, i.range_low_pa FROM assignment a JOIN instrument i ON i.id = a.instrument_id
    WHERE a.job_id = %s AND a.until IS NULL AND i.role = %s AND coalesce(a.side, i.position) = %s
    ORDER BY a.deciding DESC, i.id LIMIT 1
"""
# Of two values for one time the smaller, as in judgement; over its range a gauge has no value.
SAMPLES = """
    SELECT time, min(CASE WHEN quantity = %(over)s THEN 'Infinity' ELSE value END) AS value
    FROM reading_of(%(gauge)s, %(since)s, %(until)s)
    WHERE place_id = 1 AND (quantity = %(pressure)s OR (quantity = %(over)s AND value <> 0))
      AND (%(act)s::timestamptz IS NULL OR time < %(act)s OR arrived >= %(asked)s)
    GROUP BY time ORDER BY time
"""
LEFT_SEAT = """
    SELECT time, arrived, value
    FROM reading_of(%(valve)s, %(asked)s::timestamptz - interval '1 day', 'infinity')  -- clocks may be wrong
    WHERE quantity = %(quantity)s AND place_id = 1 AND arrived >= %(asked)s AND value = ANY(%(positions)s)
      AND arrived < coalesce((
          SELECT min(asked_at) FROM valve_order
          WHERE instrument_id = %(valve)s AND id > %(order)s AND action = 'open'), 'infinity')
    ORDER BY time LIMIT 1
"""
SAID = """
    SELECT value
    FROM reading_of(%(valve)s, %(asked)s::timestamptz - interval '1 day', 'infinity')  -- clocks may be wrong
    WHERE quantity = %(quantity)s AND place_id = 1 AND arrived >= %(since)s
    ORDER BY arrived DESC, time DESC LIMIT 1
"""


@dataclass(frozen=True, slots=True)
class Opened:
    """When a valve left its seat, by the gateway's clock, and when we learned of it [µs]."""

    at_us: int
    heard_us: int


def opened(conn: Connection, order: Order) -> Opened | None:
    """When a valve opened upon an order, by its own report or its gateway's word; None: not so far."""
    row = conn.execute(
        LEFT_SEAT,
        {
            "valve": order.instrument_id,
            "order": order.id,
            "quantity": int(Quantity.VALVE),
            "asked": to_datetime(order.asked_us),
            "positions": [float(Valve.OPEN), float(Valve.MOVING)],
        },
    ).fetchone()
    if row is not None:
        return Opened(to_us(row["time"]), to_us(row["arrived"]))
    outcome = order.outcome
    if outcome is not None and outcome.result.value == "done":
        return Opened(outcome.at_us, outcome.arrived_us)
    return None


@dataclass(frozen=True, slots=True)
class Shows:
    """What a gauge can tell: its accuracy as a share, and the bottom of its range [Pa]."""

    accuracy: float
    lowest_pa: float | None


def shows(conn: Connection, job_id: int | None, position: Position) -> Shows | None:
    """What the job's gauge on a side of the valve can tell, None: there is none."""
    gauge = conn.execute(GAUGE, (job_id, Role.GAUGE, position)).fetchone()
    return None if gauge is None else Shows(gauge["accuracy"], gauge["range_low_pa"])


def samples(
    conn: Connection,
    job_id: int | None,
    since_us: int,
    *,
    until_us: int | None = None,
    acted: tuple[int, int] | None = None,
    position: Position = Position.CIRCUIT,
) -> list[tuple[int, float]]:
    """Pressures of the job's circuit since a moment, of the gauge that decides [µs, Pa].

    Parameters
    ----------
    until_us : int, optional
        Those before this moment only.
    position : Position
        Side of the valve.
    acted : (int, int), optional
        Of an act its time by the gateway's clock and when it was asked for by ours [µs]: what was here before
        that says nothing of after the act, though its time, of a clock that was ahead, may claim so.
    """
    gauge = conn.execute(GAUGE, (job_id, Role.GAUGE, position)).fetchone()
    if gauge is None:
        return []
    rows = conn.execute(
        SAMPLES,
        {
            "gauge": gauge["id"],
            "since": to_datetime(since_us),
            "until": "infinity" if until_us is None else to_datetime(until_us),
            "pressure": int(Quantity.PRESSURE),
            "over": int(Quantity.OVERRANGE),
            "act": None if acted is None else to_datetime(acted[0]),
            "asked": None if acted is None else to_datetime(acted[1]),
        },
    )
    return [(to_us(row["time"]), row["value"]) for row in rows]


def has_closed(report: Report | None, since: Opened) -> bool:
    """Whether a valve's last report says closed, after it was opened.

    Later by its time and by its coming: a gateway whose clock was ahead and has been set right has said
    "closed" at a time that is still to come.
    """
    if report is None or report.position is not Valve.CLOSED:
        return False
    return report.at_us > since.at_us and report.arrived_us >= since.heard_us


def has_said_closed(conn: Connection, order: Order, since_us: int) -> bool:
    """Whether a valve has reported closed since a moment of our clock, whatever its gateway's clock says."""
    row = conn.execute(
        SAID,
        {
            "valve": order.instrument_id,
            "quantity": int(Quantity.VALVE),
            "asked": to_datetime(order.asked_us),
            "since": to_datetime(since_us),
        },
    ).fetchone()
    return row is not None and row["value"] == Valve.CLOSED


def note(conn: Connection, order_id: int, watch: Watch | None) -> None:
    """Note what the watch of an opening has seen."""
    conn.execute("UPDATE valve_order SET watch = %s WHERE id = %s", (watch, order_id))


def note_holds(conn: Connection, order_id: int, holds: bool) -> None:
    """Note whether the pressure agrees with a close."""
    conn.execute("UPDATE valve_order SET holds = %s WHERE id = %s", (holds, order_id))


def record(conn: Connection, told: Sequence[tuple[EventKind, Order, str]], now_us: int) -> None:
    """Tell what was seen, as events of the order's job; the last thing in a transaction."""
    new = [
        NewEvent(
            kind=kind,
            happened_us=now_us,
            text=text,
            subject=f"order:{order.id}",
            site_id=order.site_id,
            job_id=order.job_id,
            data={"order": order.id, "valve": f"{order.gateway}/{order.valve}"},
        )
        for kind, order, text in told
    ]
    events.record(conn, new, now_us)
