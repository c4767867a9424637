"""What the judgement must know of jobs, and their readings: many jobs in one query each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from psycopg.rows import tuple_row

from model.clock import to_datetime, to_us
from model.equipment import Instrument, Position, Role
from model.job import Assignment, Job
from model.procedure import Procedure
from model.reading import Quantity
from model.rig import Rig, together
from model.suspect import SuspectSpan
from store import equipment, jobs, procedures, suspects
from store.database import Connection
from store.walkups import MOVABLE
from store.work import Span

JUDGED = (
    Quantity.PRESSURE,
    Quantity.TEMPERATURE,
    Quantity.AMBIENT,
    Quantity.VALVE,
    Quantity.PUMP,
    Quantity.HANDS,
    Quantity.OVERRANGE,
    Quantity.FAULT,
)
"""What the judgement looks at; batteries are not among it."""
OF_GAUGES = (Quantity.PRESSURE, Quantity.OVERRANGE, Quantity.FAULT)
"""Of these what a gauge on the pump's side says is not judged."""


@dataclass(frozen=True, slots=True)
class Setup:
    """A job with everything it is judged by.

    Parameters
    ----------
    assignments : tuple of Assignment
        Each with its side, as a person said or as the instrument is registered.
    instruments : tuple of Instrument
        Their position is the one that counts in this job: that of the circuit where a gauge ever sat there.
    labels : dict
        ``gateway/instrument`` of each instrument, for sentences.
    """

    job: Job
    procedure: Procedure
    volume_m3: float | None
    refrigerant: str | None
    closed_by_rule: bool
    failures: int
    parked: bool
    assignments: tuple[Assignment, ...]
    instruments: tuple[Instrument, ...]
    labels: dict[int, str]
    suspects: tuple[SuspectSpan, ...] = ()
    """Times for which somebody marked one of its gauges."""
    reach: tuple[Assignment, ...] = ()
    """The assignments without the ends that the rule made: as far as its readings go, whenever it is over."""

    @property
    def rig(self) -> Rig:
        """Pump and hose: the job's own pump where it has one, else the registered ones that serve it to the
        end, or still do."""
        job = self.job
        ends = [one.until_us for one in self.assignments]
        # A job that was closed is judged with the pump that it had.
        last_us = None if None in ends else max((end for end in ends if end is not None), default=None)
        serving = {one.instrument_id for one in self.assignments if one.until_us == last_us}
        pump = Rig(job.pump_m3_s, job.ultimate_pa)
        if job.pump_m3_s is None:
            pumps = [one for one in self.instruments if one.role is Role.PUMP and one.id in serving]
            pump = together([Rig(one.pump_m3_s, one.ultimate_pa) for one in pumps])
        return replace(pump, bore_m=job.hose_bore_m, length_m=job.hose_length_m)

    @property
    def begins_us(self) -> int | None:
        """Before its first reading [µs]."""
        return min((assignment.since_us for assignment in self.assignments), default=None)


@dataclass(frozen=True, slots=True)
class Wanted:
    """Readings of an instrument for a job, both ends in the span [µs].

    Parameters
    ----------
    judges : bool
        False: it sat on the pump's side then, so its pressures are not read; its other readings are.
    """

    job_id: int
    span: Span
    judges: bool = True


Row = tuple[int, int, int, int, float]
"""Job, time [µs], instrument, quantity, value."""

_SERVICES = """
SELECT a.* FROM unnest(%s::int[], %s::timestamptz[], %s::timestamptz[]) AS t (id, since, until)
JOIN assignment a ON a.instrument_id = t.id AND a.since <= t.until AND (a.until IS NULL OR a.until > t.since)
    AND a.job_id IS NOT NULL
"""
_JOBS = """
SELECT j.*, c.volume_m3, c.refrigerant FROM job j LEFT JOIN circuit c ON c.id = j.circuit_id
WHERE j.id = ANY(%s)
"""
# An end that the rule made lies where the job was closed; beyond it, up to what a person gave, lie walk-ups
# that it might swallow.
_ASSIGNMENTS = f"""
SELECT a.*, g.name || '/' || i.name AS label, coalesce(a.side, i.position) AS sits,
    o.closed_by_rule AND a.until = o.closed_at AND NOT a.until_fixed AS ruled,
    CASE WHEN o.closed_by_rule AND a.until = o.closed_at AND NOT a.until_fixed THEN (
        SELECT min(b.since) FROM assignment b
        WHERE b.instrument_id = a.instrument_id AND b.since >= a.until AND NOT EXISTS (
            SELECT FROM assignment a JOIN job j ON j.id = a.job_id WHERE a.id = b.id AND {MOVABLE}))
    END AS bound
FROM assignment a JOIN instrument i ON i.id = a.instrument_id JOIN gateway g ON g.id = i.gateway_id
JOIN job o ON o.id = a.job_id
WHERE a.job_id = ANY(%s) ORDER BY a.instrument_id, a.since
"""  # noqa: S608 - constants of this package
# Of two values for one key the smaller judges. Times as microseconds and rows as tuples: half the cost of
# datetimes in dictionaries.
_READINGS = """
SELECT s.job_id, (extract(epoch FROM r.time) * 1000000)::bigint, r.instrument_id, r.quantity::int,
       min(r.value)
FROM unnest(%s::int[], %s::int[], %s::timestamptz[], %s::timestamptz[], %s::bool[])
    AS s (job_id, id, since, until, judges)
CROSS JOIN LATERAL (
    SELECT time, s.id AS instrument_id, quantity, value FROM reading_of(s.id, s.since, s.until)
    WHERE quantity = ANY(%s) AND place_id = 1 AND (s.judges OR quantity <> ALL(%s))
) r
GROUP BY 1, r.time, 3, 4 ORDER BY 1, r.time, 3, 4
"""

_FIRST = """
SELECT s.job_id, min(r.first) AS first, min(r.nth) AS nth
FROM unnest(%s::int[], %s::int[], %s::timestamptz[], %s::timestamptz[]) AS s (job_id, id, since, until)
CROSS JOIN unnest(%s::smallint[]) AS q (quantity)
CROSS JOIN LATERAL (
    SELECT min(n.time) AS first, max(n.time) FILTER (WHERE n.number = %s) AS nth FROM (
        SELECT time, row_number() OVER (ORDER BY time) AS number FROM reading_of(s.id, s.since, s.until)
        WHERE quantity = q.quantity AND place_id = 1 ORDER BY time LIMIT %s
    ) n
) r
GROUP BY s.job_id
"""


def services(conn: Connection, spans: Sequence[Span]) -> list[Assignment]:
    """The assignments that touched spans meet."""
    columns = (
        [span.instrument_id for span in spans],
        [to_datetime(span.since_us) for span in spans],
        [to_datetime(span.until_us) for span in spans],
    )
    return [jobs.assignment_from_row(row) for row in conn.execute(_SERVICES, columns, prepare=True)]


def load(conn: Connection, job_ids: Iterable[int]) -> dict[int, Setup]:
    """The set-ups of jobs."""
    ids = sorted(job_ids)
    assignments: dict[int, list[Assignment]] = {}
    reach: dict[int, list[Assignment]] = {}
    labels: dict[int, str] = {}
    for row in conn.execute(_ASSIGNMENTS, (ids,), prepare=True):
        one = replace(jobs.assignment_from_row(row), side=Position(row["sits"]))
        assignments.setdefault(row["job_id"], []).append(one)
        bound_us = None if row["bound"] is None else to_us(row["bound"])
        reach.setdefault(row["job_id"], []).append(replace(one, until_us=bound_us) if row["ruled"] else one)
        labels[row["instrument_id"]] = row["label"]
    instruments = {
        row["id"]: equipment.instrument_from_row(row)
        for row in conn.execute(
            "SELECT * FROM instrument WHERE id = ANY(%s)", (sorted(labels),), prepare=True
        )
    }
    marked = suspects.spans(conn, labels)
    rows = conn.execute(_JOBS, (ids,), prepare=True).fetchall()
    rules = {
        row["id"]: procedures.from_row(row)
        for row in conn.execute(
            "SELECT * FROM procedure WHERE id = ANY(%s)",
            (sorted({row["procedure_id"] for row in rows}),),
            prepare=True,
        )
    }
    result: dict[int, Setup] = {}
    for row in rows:
        mine = assignments.get(row["id"], [])
        served = sorted({assignment.instrument_id for assignment in mine})
        result[row["id"]] = Setup(
            job=jobs.from_row(row),
            procedure=rules[row["procedure_id"]],
            volume_m3=row["volume_m3"],
            refrigerant=row["refrigerant"],
            closed_by_rule=row["closed_by_rule"],
            failures=row["failures"],
            parked=row["parked_at"] is not None,
            assignments=tuple(mine),
            instruments=tuple(seated(instruments[number], mine) for number in served),
            labels={number: labels[number] for number in served},
            suspects=tuple(one for one in marked if one.instrument_id in served),
            reach=tuple(reach.get(row["id"], [])),
        )
    return result


def seated(instrument: Instrument, assignments: Iterable[Assignment]) -> Instrument:
    """An instrument with the position that counts in a job: the circuit's, if it ever sat there."""
    sides = {one.side for one in assignments if one.instrument_id == instrument.id}
    position = Position.CIRCUIT if Position.CIRCUIT in sides else Position.PUMP
    return instrument if instrument.position is position else replace(instrument, position=position)


def readings(conn: Connection, wanted: Sequence[Wanted]) -> list[Row]:
    """Readings for the judgement, by job, time, instrument and quantity; the smaller of two values for one
    key."""
    with conn.cursor(row_factory=tuple_row) as cursor:
        judges = [item.judges for item in wanted]
        *spans, judged = _columns(wanted)
        cursor.execute(_READINGS, (*spans, judges, judged, [int(one) for one in OF_GAUGES]), prepare=True)
        return cursor.fetchall()


def first_readings(
    conn: Connection, wanted: Sequence[Wanted], most: int
) -> dict[int, tuple[int, int | None]]:
    """Times of the first of those readings of each job, and of the last of the ``most`` first [µs].

    Counted for each instrument and quantity by itself: the earliest ``most``-th of them, None where none has
    so many. A job without any is missing.
    """
    if not wanted:
        return {}
    rows = conn.execute(_FIRST, (*_columns(wanted), most, most), prepare=True)
    return {
        row["job_id"]: (to_us(row["first"]), None if row["nth"] is None else to_us(row["nth"]))
        for row in rows
        if row["first"] is not None
    }


def _columns(wanted: Sequence[Wanted]) -> tuple[list[object], ...]:
    return (
        [item.job_id for item in wanted],
        [item.span.instrument_id for item in wanted],
        [to_datetime(item.span.since_us) for item in wanted],
        [to_datetime(item.span.until_us) for item in wanted],
        [int(quantity) for quantity in JUDGED],
    )


def last_arrivals(conn: Connection, instrument_ids: Iterable[int]) -> dict[int, int]:
    """When each instrument was last heard of [µs], whatever it sent."""
    rows = conn.execute(
        "SELECT instrument_id, max(arrived) AS arrived FROM latest WHERE instrument_id = ANY(%s) GROUP BY 1",
        (sorted(set(instrument_ids)),),
        prepare=True,
    )
    return {row["instrument_id"]: to_us(row["arrived"]) for row in rows}
