"""A job as whoever stands beside it needs it: what is known now, the next step, the last ten minutes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from api.board import RowView, view
from api.holds import ForecastView, forecast_view
from api.liveness import LIVE_WALL_S, clock_speed, is_heard, unkept
from api.pull_downs import PullDownView, line, pull_view
from api.quantities import Quantities
from api.ten_minutes import LENGTH_US, TenMinutes, ten_minutes
from api.words import Mark
from desk.core.next_step import Situation, Step, Tone, next_step
from model.clock import US, Clock, to_datetime
from model.equipment import Position, Role
from model.errors import NotFound
from model.judgement import HoldTest, PhaseKind, Verdict
from model.reading import Quantity, Valve
from model.valve_facts import REPORT_FRESH_S
from physics.refrigerants import Refrigerant, listed
from store import board as stored
from store.board import BoardRow, Channel
from store.database import Connection
from store.judgement import decode
from store.lists import CIRCUITS, HOLD_TESTS, JOBS
from store.series import Span, read

MOST_POINTS = 150
QUIET_S = 60.0

TONES = {
    Tone.ACT: Mark(key="act", word="Do now", shape="pull", tone="busy"),
    Tone.WAIT: Mark(key="wait", word="Nothing to do", shape="rest", tone="mute"),
    Tone.TROUBLE: Mark(key="trouble", word="Needs you", shape="unsure", tone="warn"),
    Tone.DONE: Mark(key="done", word="Done", shape="pass", tone="good"),
}


@dataclass(frozen=True, slots=True)
class SiteView:
    """All that the page at the site shows."""

    job: dict[str, Any]
    row: RowView
    step: Step
    mark: Mark
    until: datetime | None
    trend: TenMinutes | None
    pull: PullDownView | None
    pull_line: str
    hold: HoldTest | None
    forecast: ForecastView | None
    refrigerant: str | None
    fluid: Refrigerant | None
    gauge: Channel | None
    valve: Channel | None
    """The one that serves the job, if one does."""


def site_view(conn: Connection, clock: Clock, job_id: int, unit: Quantities) -> SiteView:
    """A job at this moment; raises `NotFound`."""
    job = JOBS.one(conn, {"site": None, "state": None}, job_id)
    found = stored.rows(conn, [job_id])
    if job is None or not found:
        raise NotFound(f"There is no job {job_id}.")
    row, now_us, speed = found[0], clock.now_us(), clock_speed(clock)
    hold = _newest_hold(conn, job_id)
    circuit = CIRCUITS.one(conn, {"site": None}, job["circuit_id"]) if job["circuit_id"] else None
    refrigerant = circuit["refrigerant"] if circuit else None
    step = next_step(situation(row, hold, now_us, speed))
    pull = row.pull if row.phase is PhaseKind.PULL_DOWN else None
    left = unkept(row, now_us, speed)
    return SiteView(
        job=job,
        row=view(row, now_us, speed, None),
        step=step,
        mark=TONES[step.tone],
        until=None if step.until_us is None else to_datetime(step.until_us),
        trend=None if row.gauge is None else _trend(conn, row.gauge, now_us, row.target_pa),
        pull=None if pull is None else pull_view(pull, unit, left),
        pull_line=""
        if pull is None or unit.figures is None
        else line(pull, unit.figures, row.time_zone, left),
        hold=hold,
        forecast=None if hold is None or hold.forecast is None else forecast_view(hold.forecast),
        refrigerant=refrigerant,
        fluid=listed(refrigerant),
        gauge=row.gauge,
        valve=next((one for one in row.channels if one.role is Role.VALVE), None),
    )


def situation(row: BoardRow, hold: HoldTest | None, now_us: int, speed: float) -> Situation:
    """What is known of a job, as far as it was reported lately."""
    gauge = row.gauge
    last = None if gauge is None else gauge.last.get(Quantity.PRESSURE)
    valve = _reported(row.channels, Quantity.VALVE, now_us, speed)
    pump = _reported(row.channels, Quantity.PUMP, now_us, speed)
    reached_us = row.target_reached_us
    return Situation(
        state=row.state,
        gauge=gauge is not None,
        heard=is_heard(row, now_us, speed),
        read=last is not None,
        on_circuit=gauge is not None and gauge.position is Position.CIRCUIT,
        phase=row.phase,
        phase_over=row.phase_end_us is not None,
        reached=reached_us is not None and reached_us >= (row.phase_start_us or 0),
        below=last is not None and last.value <= row.target_pa,
        valve=None if valve is None else Valve(int(valve)),
        pump=None if pump is None else pump > 0,
        hold=hold,
        pull=None if row.pull is None or unkept(row, now_us, speed) else row.pull.found,
        parked=row.parked,
    )


def _reported(channels: Sequence[Channel], what: Quantity, now_us: int, speed: float) -> float | None:
    """The newest report of that kind, if it is young enough to be the present one."""
    fresh_us = (REPORT_FRESH_S + LIVE_WALL_S * speed) * US
    known = [channel.last[what] for channel in channels if what in channel.last]
    newest = max(known, key=lambda last: last.time_us, default=None)
    return None if newest is None or now_us - newest.time_us > fresh_us else newest.value


def _newest_hold(conn: Connection, job_id: int) -> HoldTest | None:
    rows = HOLD_TESTS.page(conn, {"job": job_id, "verdict": None, "withdrawn": False}, None, 50)
    holds = [decode(row["detail"]) for row in rows]
    return max(holds, key=lambda hold: hold.start_us, default=None)


def holding(hold: HoldTest | None) -> bool:
    """Whether a hold runs."""
    return hold is not None and hold.verdict in (Verdict.RUNNING, Verdict.AWAITING)


def _trend(conn: Connection, gauge: Channel, now_us: int, target_pa: float) -> TenMinutes | None:
    if gauge.role is not Role.GAUGE:
        return None
    gap_s = max(5 * gauge.interval_s, QUIET_S)
    since, until = to_datetime(now_us - LENGTH_US), to_datetime(now_us + US)
    span = Span(gauge.instrument_id, Quantity.PRESSURE, since, until)
    series = read(conn, span, MOST_POINTS, gap_s)
    times_us = [round(at.timestamp() * US) for at in series.times]
    return ten_minutes(times_us, series.values, now_us, gauge.accuracy, target_pa, round(gap_s * US))
