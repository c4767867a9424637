"""Gathers what the interlocks of a valve look at, in one transaction: readings, presence, site, job."""

from __future__ import annotations

from typing import Any

from model.clock import US, to_us
from model.equipment import Position, Role
from model.event import EventKind
from model.judgement import PhaseKind
from model.order import KnownValve
from model.reading import Quantity
from model.valve_facts import REPORT_FRESH_S, Battery, GaugeReport, Page, PumpReport, ValveFacts
from store import orders
from store.database import Connection, one

LOOK_BACK_S = 3600.0
"""A pump that has run for longer has run for so long."""
SUSPECT = ("gauge-fault", "gauge-under-range", "gauges-disagree")
"""Reasons of an inconclusive hold that make its gauge suspect until another hold has a verdict."""

SERVING = """
    SELECT i.id, i.name, i.role, EXISTS (
               SELECT FROM suspect_mark m WHERE m.instrument_id = i.id AND m.until IS NULL) AS marked,
           coalesce(a.side, i.position) AS position, i.interval_s, i.accuracy,
           i.range_high_pa, l.quantity, l.time, l.value, l.arrived
    FROM assignment a JOIN instrument i ON i.id = a.instrument_id
    LEFT JOIN latest l ON l.instrument_id = i.id AND l.place_id = 1
    WHERE a.job_id = %s AND a.until IS NULL AND i.role IN ('gauge', 'pump')
    ORDER BY a.deciding DESC, i.id
"""
# Of two values for one time the smaller judges: not running.
PUMP = """
    SELECT time, min(value) AS value, min(arrived) AS arrived FROM reading
    WHERE instrument_id = %(pump)s AND quantity = %(quantity)s AND place_id = 1
      AND time <= %(at)s AND time >= %(at)s - make_interval(secs => %(back_s)s)
    GROUP BY time ORDER BY time DESC
"""
# Whichever gateway the switch hangs at: it is the site's, and wins.
HANDS = """
    SELECT EXISTS (
        SELECT FROM latest l JOIN instrument i ON i.id = l.instrument_id
        JOIN gateway g ON g.id = i.gateway_id
        WHERE g.site_id = %s AND g.revoked_at IS NULL AND i.retired_at IS NULL
          AND l.quantity = %s AND l.value <> 0) AS hands
"""
JOB = """
    SELECT p.target_pa, EXISTS (
        SELECT FROM fact f WHERE f.job_id = j.id AND f.kind = %(reached)s AND f.withdrawn_at IS NULL
          AND f.subject_at = (SELECT max(started_at) FROM phase WHERE job_id = j.id AND kind = %(pull)s)
    ) AS reached, (
        SELECT h.reason FROM hold_test h WHERE h.job_id = j.id AND h.withdrawn_at IS NULL
          AND h.decided_at IS NOT NULL ORDER BY h.started_at DESC LIMIT 1) AS last_reason
    FROM job j JOIN procedure p ON p.id = j.procedure_id WHERE j.id = %(job)s
"""
SITE = """
    SELECT s.opening_from_afar, EXISTS (
        SELECT FROM site_opener o JOIN person p ON p.id = o.person_id
        WHERE o.site_id = s.id AND o.person_id = %s AND p.disabled_at IS NULL) AS named
    FROM site s WHERE s.id = %s
"""


def hold_still(conn: Connection, instrument_id: int) -> None:
    """Keep what an administrator has decided for a valve's site as it is until this transaction ends.

    Call it before `gather` where an order follows: who takes a right away waits for an order that is being
    given, or is waited for, so that no order is written down under a right that is gone. A statement of its
    own: one that waits for a row reads its neighbours as they were before it waited.
    """
    conn.execute(
        "SELECT FROM site s JOIN gateway g ON g.site_id = s.id JOIN instrument i ON i.gateway_id = g.id "
        "WHERE i.id = %s FOR SHARE OF s",
        (instrument_id,),
    )


def gather(
    conn: Connection,
    instrument_id: int,
    now_us: int,
    *,
    person_id: int | None,
    automatic: bool = False,
    page: Page | None = None,
    hold_until_us: int | None = None,
    battery: Battery | None = None,
) -> ValveFacts:
    """What is known of a valve and of all that stands around it.

    Parameters
    ----------
    person_id : int or None
        Who asks; of a plan who made it. None: nobody, who is named nowhere.
    page : Page or None
        What the person decided on.
    hold_until_us, battery
        Of a hold that shall begin, see `ValveFacts`; the forecast of the battery is the caller's.

    Raises
    ------
    NotFound
        If there is no such instrument.
    """
    valve = orders.known(conn, instrument_id)
    return of_known(
        conn,
        valve,
        now_us,
        person_id=person_id,
        automatic=automatic,
        page=page,
        hold_until_us=hold_until_us,
        battery=battery,
    )


def of_known(
    conn: Connection,
    valve: KnownValve,
    now_us: int,
    *,
    person_id: int | None,
    automatic: bool = False,
    page: Page | None = None,
    hold_until_us: int | None = None,
    battery: Battery | None = None,
) -> ValveFacts:
    """The same about a valve that was read already."""
    site = one(conn.execute(SITE, (person_id, valve.site_id)).fetchone())
    hands = one(conn.execute(HANDS, (valve.site_id, int(Quantity.HANDS))).fetchone())["hands"]
    job = _job(conn, valve.job_id)
    suspect = job is not None and job["last_reason"] in SUSPECT
    gauges: dict[Position, GaugeReport] = {}
    pumps: list[PumpReport | None] = []
    for row, told in _serving(conn, valve.job_id):
        if Role(row["role"]) is Role.PUMP:
            pumps.append(_pump(conn, row["id"], told))
        else:
            position = Position(row["position"])
            # The deciding one comes first.
            gauges.setdefault(position, _gauge(row, told, suspect and position is Position.CIRCUIT))
    circuit = gauges.get(Position.CIRCUIT)
    below = (
        job is not None
        and circuit is not None
        and circuit.pressure_pa is not None
        and circuit.pressure_pa <= job["target_pa"]
    )
    return ValveFacts(
        now_us=now_us,
        valve=valve,
        automatic=automatic,
        opening_allowed=site["opening_from_afar"],
        may_open_here=site["named"],
        hands=hands,
        pump=_worst(pumps),
        circuit=circuit,
        pump_side=gauges.get(Position.PUMP),
        page=page,
        target_reached=bool(below and job is not None and job["reached"]),
        hold_until_us=hold_until_us,
        battery=battery,
    )


def _job(conn: Connection, job_id: int | None) -> dict[str, Any] | None:
    given = {"job": job_id, "reached": EventKind.TARGET_REACHED, "pull": PhaseKind.PULL_DOWN}
    return conn.execute(JOB, given).fetchone()


def _serving(conn: Connection, job_id: int | None) -> list[tuple[dict[str, Any], dict[int, dict[str, Any]]]]:
    """Gauges and pumps of a job, each with its latest reading of every quantity."""
    found: dict[int, tuple[dict[str, Any], dict[int, dict[str, Any]]]] = {}
    for row in conn.execute(SERVING, (job_id,)):
        _, told = found.setdefault(row["id"], (row, {}))
        if row["quantity"] is not None:
            told[row["quantity"]] = row
    return list(found.values())


def _worst(pumps: list[PumpReport | None]) -> PumpReport | None:
    """Of several pumps the one of which the least is known: which of them the valve leads to is not told."""
    known = [pump for pump in pumps if pump is not None]
    if not known or len(known) < len(pumps):
        return None
    return min(known, key=lambda pump: (pump.running, min(pump.at_us, pump.arrived_us), pump.running_s))


def _pump(conn: Connection, instrument_id: int, told: dict[int, dict[str, Any]]) -> PumpReport | None:
    latest = told.get(Quantity.PUMP)
    if latest is None:
        return None
    given = {
        "pump": instrument_id,
        "quantity": int(Quantity.PUMP),
        "at": latest["time"],
        "back_s": LOOK_BACK_S,
    }
    running = bool(latest["value"])
    since_us = at_us = to_us(latest["time"])
    for row in conn.execute(PUMP, given):
        time_us = to_us(row["time"])
        if bool(row["value"]) != running or since_us - time_us > REPORT_FRESH_S * US:
            break
        since_us = time_us
    return PumpReport(running, since_us, at_us, to_us(latest["arrived"]))


def _gauge(row: dict[str, Any], told: dict[int, dict[str, Any]], suspect: bool) -> GaugeReport:
    pressure, over, fault = (
        told.get(quantity) for quantity in (Quantity.PRESSURE, Quantity.OVERRANGE, Quantity.FAULT)
    )
    heard = [one for one in (pressure, over) if one is not None]
    newest = max(heard, key=lambda one: one["time"], default=None)
    pressure_pa = None if pressure is None else pressure["value"]
    top_pa = row["range_high_pa"]
    is_over = (
        over is not None and bool(over["value"]) and (pressure is None or over["time"] >= pressure["time"])
    )
    return GaugeReport(
        name=row["name"],
        interval_s=row["interval_s"],
        accuracy=row["accuracy"],
        pressure_pa=pressure_pa,
        at_us=0 if newest is None else to_us(newest["time"]),
        arrived_us=0 if newest is None else to_us(newest["arrived"]),
        at_top=is_over or (pressure_pa is not None and top_pa is not None and pressure_pa >= top_pa),
        fault=fault is not None and bool(fault["value"]),
        suspect=suspect or row["marked"],
    )
