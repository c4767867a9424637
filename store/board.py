"""What the board shows: one glance at each job that is not closed, from a fixed number of queries."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from model.alert import AlertState, Priority
from model.clock import to_us
from model.equipment import Position, Role
from model.event import EventKind
from model.job import JobState
from model.judgement import Cause, PhaseKind, Verdict
from model.pull_down import PullEstimate
from model.reading import Quantity
from store import pull_downs
from store.database import Connection


@dataclass(frozen=True, slots=True)
class Last:
    """The last reading of a channel by event time. Times [µs]."""

    value: float
    time_us: int
    arrived_us: int


@dataclass(frozen=True, slots=True)
class Channel:
    """An instrument that serves a job, with what it last said."""

    instrument_id: int
    name: str
    gateway: str
    role: Role
    position: Position
    deciding: bool
    interval_s: float
    accuracy: float
    """Share of the reading."""
    online: bool | None
    """What its gateway's presence says, None if it never said anything."""
    last: dict[Quantity, Last] = field(default_factory=dict)

    @property
    def arrived_us(self) -> int | None:
        """When it was last heard of [µs]."""
        return max((last.arrived_us for last in self.last.values()), default=None)


@dataclass(frozen=True, slots=True)
class HoldGlance:
    """The newest hold of a job. Times [µs], pressures [Pa]."""

    id: int
    verdict: Verdict
    reason: str
    text: str
    start_us: int
    planned_end_us: int | None
    limit_pa: float | None
    cause: Cause | None
    probabilities: dict[str, float]


@dataclass(frozen=True, slots=True)
class AlertGlance:
    """The most pressing live alert of a job."""

    id: int
    kind: str
    priority: Priority
    state: AlertState
    text: str
    action: str


@dataclass(frozen=True, slots=True)
class BoardRow:
    """A job at a glance. Times [µs], pressures [Pa]."""

    job_id: int
    title: str
    state: JobState
    walk_up: bool
    parked: bool
    opened_us: int
    site_id: int
    site: str
    time_zone: str
    circuit: str | None
    crew: str | None
    procedure: str
    target_pa: float
    limit_pa: float | None
    phase: PhaseKind | None
    phase_start_us: int | None
    phase_end_us: int | None
    target_reached_us: int | None
    silent: tuple[int, ...]
    """Instruments that were told silent."""
    hold: HoldGlance | None
    alert: AlertGlance | None
    alerts: int
    pull: PullEstimate | None
    """Of the pull-down that runs."""
    channels: tuple[Channel, ...]

    @property
    def gauge(self) -> Channel | None:
        """The gauge whose pressure stands for the job: the deciding one, else one of the circuit's side."""
        gauges = [c for c in self.channels if c.role is Role.GAUGE]
        return min(
            gauges,
            key=lambda c: (not c.deciding, c.position is not Position.CIRCUIT, c.instrument_id),
            default=None,
        )


# The most pressing alert: nobody has it, somebody has it, over by itself; then by priority, then the newest.
_JOBS = """
SELECT j.id, j.title, j.state, j.walk_up, j.parked_at, j.opened_at, j.site_id, s.name AS site, s.time_zone,
       c.name AS circuit, w.name AS crew, pr.name AS procedure, pr.target_pa, pr.limit_pa,
       p.kind AS phase, p.started_at AS phase_start, p.ended_at AS phase_end,
       t.happened_at AS target_reached_at, coalesce(tr.silent, '{}') AS silent,
       h.id AS hold_id, h.verdict, h.reason, h.text AS hold_text, h.started_at AS hold_start, h.detail,
       a.id AS alert_id, a.kind AS alert_kind, a.priority, a.state AS alert_state, a.text AS alert_text,
       a.action, coalesce(a.n, 0) AS alerts, d.detail AS pull_down
FROM job j
JOIN site s ON s.id = j.site_id
JOIN procedure pr ON pr.id = j.procedure_id
LEFT JOIN circuit c ON c.id = j.circuit_id
LEFT JOIN crew w ON w.id = j.crew_id
LEFT JOIN LATERAL (
    SELECT kind, started_at, ended_at FROM phase WHERE job_id = j.id ORDER BY started_at DESC LIMIT 1
) p ON true
LEFT JOIN pull_down d ON d.job_id = j.id AND d.started_at = p.started_at AND p.kind = 'pull-down'
    AND p.ended_at IS NULL AND j.closed_at IS NULL
LEFT JOIN LATERAL (
    SELECT max(happened_at) AS happened_at FROM fact
    WHERE job_id = j.id AND kind = %(target_reached)s AND withdrawn_at IS NULL
) t ON true
LEFT JOIN track tr ON tr.job_id = j.id
LEFT JOIN LATERAL (
    SELECT id, verdict, reason, text, started_at, detail FROM hold_test
    WHERE job_id = j.id AND withdrawn_at IS NULL ORDER BY started_at DESC LIMIT 1
) h ON true
LEFT JOIN LATERAL (
    SELECT id, kind, priority, state, text, action, count(*) OVER () AS n FROM alert
    WHERE job_id = j.id AND state <> 'normal'
    ORDER BY array_position(ARRAY['active-unacknowledged', 'active-acknowledged'], state) NULLS LAST,
             array_position(ARRAY['urgent', 'high', 'medium', 'low'], priority), raised_at DESC LIMIT 1
) a ON true
WHERE CASE WHEN %(jobs)s::int[] IS NULL THEN j.closed_at IS NULL ELSE j.id = ANY(%(jobs)s) END
ORDER BY j.id
"""
_CLOSED = """
SELECT j.id, j.title, s.name AS site, s.time_zone, c.name AS circuit, j.closed_at, h.verdict, h.text
FROM job j
JOIN site s ON s.id = j.site_id
LEFT JOIN circuit c ON c.id = j.circuit_id
LEFT JOIN LATERAL (
    SELECT verdict, text FROM hold_test
    WHERE job_id = j.id AND withdrawn_at IS NULL ORDER BY started_at DESC LIMIT 1
) h ON true
WHERE j.closed_at >= %s AND j.withdrawn_at IS NULL
ORDER BY j.closed_at DESC LIMIT %s
"""
_CHANNELS = """
SELECT a.job_id, a.deciding, i.id, i.name, i.role, coalesce(a.side, i.position) AS position, i.interval_s,
       i.accuracy, g.name AS gateway, gp.online, l.quantity, l.value, l.time, l.arrived
FROM (
    SELECT DISTINCT ON (job_id, instrument_id) * FROM assignment WHERE job_id = ANY(%(jobs)s)
    ORDER BY job_id, instrument_id, since DESC
) a
JOIN instrument i ON i.id = a.instrument_id
JOIN gateway g ON g.id = i.gateway_id
LEFT JOIN gateway_presence gp ON gp.gateway_id = g.id
LEFT JOIN latest l ON l.instrument_id = i.id AND l.place_id = 1 AND a.until IS NULL
ORDER BY a.job_id, a.since, a.id
"""


def rows(conn: Connection, job_ids: Sequence[int] | None = None) -> list[BoardRow]:
    """The jobs that are not closed, or those that are named (closed ones too), by number."""
    found = conn.execute(
        _JOBS,
        {
            "jobs": None if job_ids is None else list(job_ids),
            "target_reached": EventKind.TARGET_REACHED,
        },
    ).fetchall()
    channels = _channels(conn, [row["id"] for row in found])
    return [_row(row, channels.get(row["id"], ())) for row in found]


@dataclass(frozen=True, slots=True)
class ClosedRow:
    """A job that was closed, with the verdict of its last hold."""

    job_id: int
    title: str
    site: str
    time_zone: str
    circuit: str | None
    closed_at: datetime
    verdict: Verdict | None
    text: str


def closed_since(conn: Connection, since: datetime, limit: int = 50) -> list[ClosedRow]:
    """Jobs closed since then, the last one first."""
    return [
        ClosedRow(
            job_id=row["id"],
            title=row["title"],
            site=row["site"],
            time_zone=row["time_zone"],
            circuit=row["circuit"],
            closed_at=row["closed_at"],
            verdict=None if row["verdict"] is None else Verdict(row["verdict"]),
            text=row["text"] or "No hold test.",
        )
        for row in conn.execute(_CLOSED, (since, limit))
    ]


def _channels(conn: Connection, job_ids: Iterable[int]) -> dict[int, tuple[Channel, ...]]:
    result: dict[int, dict[int, Channel]] = {}
    for row in conn.execute(_CHANNELS, {"jobs": list(job_ids)}):
        channel = result.setdefault(row["job_id"], {}).setdefault(
            row["id"],
            Channel(
                instrument_id=row["id"],
                name=row["name"],
                gateway=row["gateway"],
                role=Role(row["role"]),
                position=Position(row["position"]),
                deciding=row["deciding"],
                interval_s=row["interval_s"],
                accuracy=row["accuracy"],
                online=row["online"],
            ),
        )
        if row["quantity"] is not None:
            channel.last[Quantity(row["quantity"])] = Last(
                row["value"], to_us(row["time"]), to_us(row["arrived"])
            )
    return {job: tuple(of_job.values()) for job, of_job in result.items()}


def _row(row: dict[str, Any], channels: tuple[Channel, ...]) -> BoardRow:
    return BoardRow(
        job_id=row["id"],
        title=row["title"],
        state=JobState(row["state"]),
        walk_up=row["walk_up"],
        parked=row["parked_at"] is not None,
        opened_us=to_us(row["opened_at"]),
        site_id=row["site_id"],
        site=row["site"],
        time_zone=row["time_zone"],
        circuit=row["circuit"],
        crew=row["crew"],
        procedure=row["procedure"],
        target_pa=row["target_pa"],
        limit_pa=row["limit_pa"],
        phase=None if row["phase"] is None else PhaseKind(row["phase"]),
        phase_start_us=None if row["phase_start"] is None else to_us(row["phase_start"]),
        phase_end_us=None if row["phase_end"] is None else to_us(row["phase_end"]),
        target_reached_us=None if row["target_reached_at"] is None else to_us(row["target_reached_at"]),
        silent=tuple(row["silent"]),
        hold=None if row["hold_id"] is None else _hold(row),
        alert=None if row["alert_id"] is None else _alert(row),
        alerts=row["alerts"],
        pull=None if row["pull_down"] is None else pull_downs.decode(row["pull_down"]),
        channels=channels,
    )


def _hold(row: dict[str, Any]) -> HoldGlance:
    detail = row["detail"]
    diagnosis = detail.get("diagnosis") or {}
    cause = diagnosis.get("cause")
    return HoldGlance(
        id=row["hold_id"],
        verdict=Verdict(row["verdict"]),
        reason=row["reason"],
        text=row["hold_text"],
        start_us=to_us(row["hold_start"]),
        planned_end_us=detail.get("planned_end_us"),
        limit_pa=detail.get("limit_pa"),
        cause=None if cause is None else Cause(cause),
        probabilities=diagnosis.get("probabilities") or {},
    )


def _alert(row: dict[str, Any]) -> AlertGlance:
    return AlertGlance(
        id=row["alert_id"],
        kind=row["alert_kind"],
        priority=Priority(row["priority"]),
        state=AlertState(row["alert_state"]),
        text=row["alert_text"],
        action=row["action"],
    )
