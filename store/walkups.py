"""Walk-up jobs: a gauge that serves no job and falls below 50 kPa opens one at its gateway's site.

An assignment that the rule made is *movable*: late readings may show that it begins or ends elsewhere. What
a person gave, and what belongs to a job that a person closed, merged or opened again, stays as it is."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from model.clock import to_datetime, to_us
from model.equipment import Position, Role
from model.reading import Quantity
from store.database import Connection, one
from store.work import INSTRUMENT_LOCK, Span

BELOW_PA = 50_000.0
"""A gauge that reads less is on a pump, not in a van; one that is over its range says nothing of it."""

LOOK_BACK_US = 86_400 * 1_000_000
"""A walk-up job takes the readings of this long before its first low one."""

GATEWAY_LOCK = 0x4757
"""Class of the advisory locks under which the walk-up jobs of a gateway are cut; only ever tried for."""

FOREVER_US = 32_503_680_000 * 1_000_000

MOVABLE = """(j.walk_up AND NOT a.since_fixed AND NOT a.until_fixed AND NOT j.kept_open
    AND (j.closed_at IS NULL OR j.closed_by_rule) AND j.merged_into IS NULL AND NOT EXISTS (
        SELECT FROM job m WHERE m.merged_into = j.id AND m.withdrawn_at IS NULL))"""
"""Of an assignment ``a`` of a job ``j``."""


@dataclass(frozen=True, slots=True)
class Gauge:
    """A gauge, and where a walk-up job that it opens belongs.

    Parameters
    ----------
    opens : bool
        Whether it may open one: it is in service, and on the circuit's side or on a gateway that has no gauge
        there.
    """

    id: int
    gateway_id: int
    label: str
    site_id: int
    site: str
    opens: bool


@dataclass(frozen=True, slots=True)
class Service:
    """A span that a gauge serves a job, or is kept free by a person. Times [µs].

    Parameters
    ----------
    movable : bool
        The rule made it, and the gauge decides in it.
    known_us, closed_us
        Of the job: the low reading that first opened it, and its end.
    """

    job_id: int | None
    since_us: int
    until_us: int | None
    movable: bool
    opened_us: int | None
    known_us: int | None
    closed_us: int | None


@dataclass(frozen=True, slots=True)
class Neighbour:
    """An instrument of a gateway, and when it would be free around a moment."""

    id: int
    role: Role
    position: Position
    free_since_us: int | None
    """End of its last assignment before the moment [µs], None if it had none."""
    free_until_us: int | None
    """Beginning of its next one after the moment [µs], None if it has none."""
    busy: bool
    """Whether it serves a job at the moment."""


# Over-range as in the judgement: at the range's top but for what converting loses, or reported. A report
# stands until the next one only with gauges that also report the end of it.
_LOW = """
    SELECT r.time FROM {spanned} r
    WHERE r.quantity = %(pressure)s AND r.place_id = 1 AND r.time < t.until AND r.value < %(below)s
      AND (i.range_high_pa IS NULL OR r.value < i.range_high_pa * (1 - 1e-6))
      AND NOT coalesce((
          SELECT o.value <> 0 AND (o.time = r.time OR EXISTS (
              SELECT FROM {before} z
              WHERE z.quantity = %(overrange)s AND z.place_id = 1 AND z.time < r.time AND z.value = 0))
          FROM {before} o
          WHERE o.quantity = %(overrange)s AND o.place_id = 1
          ORDER BY o.time DESC, o.value LIMIT 1), false)
"""
# New readings lie among the readings; one that is looked for again may lie in the evidence.
_NEW_LOW = _LOW.format(
    spanned="(SELECT * FROM reading WHERE instrument_id = i.id AND time >= t.since AND time < t.until)",
    before="(SELECT * FROM reading WHERE instrument_id = i.id AND time <= r.time)",
)
_ANY_LOW = _LOW.format(
    spanned="reading_of(i.id, t.since, t.until)", before="reading_of(i.id, '-infinity', r.time)"
)
_CONSTANTS = {"pressure": int(Quantity.PRESSURE), "overrange": int(Quantity.OVERRANGE), "below": BELOW_PA}

_FREE = """
SELECT i.id FROM unnest(%(ids)s::int[], %(since)s::timestamptz[], %(until)s::timestamptz[])
    AS t (id, since, until)
JOIN instrument i ON i.id = t.id AND i.role = 'gauge'
WHERE EXISTS (
    {low}
      AND NOT EXISTS (
          SELECT FROM assignment a WHERE a.instrument_id = i.id AND a.since <= r.time
             AND (a.until IS NULL OR a.until > r.time)))
"""
_NEW_FREE, _ANY_FREE = _FREE.format(low=_NEW_LOW), _FREE.format(low=_ANY_LOW)
# What a person took from a job may lie there. To plan the search through both costs more than the search.
_IN_EVIDENCE = """
SELECT FROM unnest(%(ids)s::int[], %(since)s::timestamptz[], %(until)s::timestamptz[]) AS t (id, since, until)
JOIN evidence e ON e.instrument_id = t.id AND e.quantity = %(pressure)s AND e.place_id = 1
    AND e.starts > t.since - interval '30 minutes' AND e.starts < t.until
LIMIT 1
"""
_BEFORE = f"""
SELECT DISTINCT t.id FROM unnest(%s::int[], %s::timestamptz[]) AS t (id, since)
JOIN assignment a ON a.instrument_id = t.id AND a.deciding
JOIN job j ON j.id = a.job_id AND j.opened_at >= t.since
WHERE {MOVABLE}
"""  # noqa: S608 - as above


def to_cut(conn: Connection, touched: Sequence[Span], uncovered: Sequence[Span]) -> set[int]:
    """The gauges whose walk-up jobs may begin elsewhere, by new readings in these spans.

    Parameters
    ----------
    touched : sequence of Span
        All of them: those that reach back to the opening of a walk-up job, or before it, may move it.
    uncovered : sequence of Span
        Those that no single assignment covers: there may be a low reading that belongs to no job.
    """
    rows = conn.execute(
        _BEFORE,
        ([span.instrument_id for span in touched], [to_datetime(span.since_us) for span in touched]),
        prepare=True,
    ).fetchall()
    if uncovered:
        columns = {
            "ids": [span.instrument_id for span in uncovered],
            "since": [to_datetime(span.since_us) for span in uncovered],
            "until": [to_datetime(span.until_us + 1) for span in uncovered],
        }
        given = {**columns, **_CONSTANTS}
        packed = conn.execute(_IN_EVIDENCE, given, prepare=True).fetchone() is not None
        rows += conn.execute(_ANY_FREE if packed else _NEW_FREE, given, prepare=True).fetchall()
    return {row["id"] for row in rows}


def first_low(conn: Connection, gauge_id: int, since_us: int, until_us: int | None) -> int | None:
    """Time of a gauge's first low reading in a span [µs], served or not; None without one."""
    span = {
        "id": gauge_id,
        "since": to_datetime(since_us),
        "until": to_datetime(FOREVER_US if until_us is None else until_us),
    }
    row = conn.execute(
        f"SELECT low.time FROM (SELECT %(since)s::timestamptz AS since, %(until)s::timestamptz AS until) t "  # noqa: S608
        f"JOIN instrument i ON i.id = %(id)s CROSS JOIN LATERAL ({_ANY_LOW} ORDER BY r.time LIMIT 1) low",
        {**span, **_CONSTANTS},
        prepare=True,
    ).fetchone()
    return None if row is None else to_us(row["time"])


def gauge(conn: Connection, gauge_id: int) -> Gauge:
    """A gauge by its id."""
    row = one(
        conn.execute(
            "SELECT i.id, i.gateway_id, g.name || '/' || i.name AS label, g.site_id, s.name AS site, "
            "i.retired_at IS NULL AND (i.position = 'circuit' OR NOT EXISTS ("
            "SELECT FROM instrument o WHERE o.gateway_id = i.gateway_id AND o.role = 'gauge' "
            "AND o.position = 'circuit' AND o.retired_at IS NULL)) AS opens "
            "FROM instrument i JOIN gateway g ON g.id = i.gateway_id JOIN site s ON s.id = g.site_id "
            "WHERE i.id = %s",
            (gauge_id,),
        ).fetchone()
    )
    return Gauge(**row)


def services(conn: Connection, gauge_id: int) -> list[Service]:
    """All spans that a gauge serves, in order of time."""
    rows = conn.execute(
        f"SELECT a.job_id, a.since, a.until, coalesce(a.deciding AND {MOVABLE}, false) AS movable, "  # noqa: S608
        "j.opened_at, coalesce(j.known_at, j.opened_at) AS known_at, j.closed_at "
        "FROM assignment a LEFT JOIN job j ON j.id = a.job_id WHERE a.instrument_id = %s ORDER BY a.since",
        (gauge_id,),
    )
    return [
        Service(
            job_id=row["job_id"],
            since_us=to_us(row["since"]),
            until_us=_us(row["until"]),
            movable=row["movable"],
            opened_us=_us(row["opened_at"]),
            known_us=_us(row["known_at"]),
            closed_us=_us(row["closed_at"]),
        )
        for row in rows
    ]


_NEIGHBOURS = """
SELECT i.id, i.role, i.position,
       max(a.until) FILTER (WHERE a.until <= %(at)s) AS free_since,
       min(a.since) FILTER (WHERE a.since > %(at)s) AS free_until,
       coalesce(bool_or(a.since <= %(at)s AND (a.until IS NULL OR a.until > %(at)s)), false) AS busy
FROM instrument i LEFT JOIN assignment a ON a.instrument_id = i.id
WHERE i.gateway_id = %(gateway)s AND (i.retired_at IS NULL OR i.id = ANY(%(also)s))
GROUP BY i.id
ORDER BY i.id
"""


def neighbours(conn: Connection, gateway_id: int, at_us: int, also: Iterable[int]) -> list[Neighbour]:
    """The instruments of a gateway that are in service, or among ``also``, and when each is free around a
    moment of event time [µs]."""
    rows = conn.execute(_NEIGHBOURS, {"gateway": gateway_id, "at": to_datetime(at_us), "also": sorted(also)})
    return [
        Neighbour(
            id=row["id"],
            role=Role(row["role"]),
            position=Position(row["position"]),
            free_since_us=_us(row["free_since"]),
            free_until_us=_us(row["free_until"]),
            busy=row["busy"],
        )
        for row in rows
    ]


def around(conn: Connection, instrument_ids: Iterable[int]) -> list[tuple[int, int, bool]]:
    """Instrument, gateway and whether it is a gauge, of all that share a gateway with these."""
    rows = conn.execute(
        "SELECT i.id, i.gateway_id, i.role = 'gauge' AS gauge FROM instrument i WHERE i.gateway_id IN ("
        "SELECT gateway_id FROM instrument WHERE id = ANY(%s)) ORDER BY i.id",
        (sorted(instrument_ids),),
    )
    return [(row["id"], row["gateway_id"], row["gauge"]) for row in rows]


def last_reading(conn: Connection, instrument_id: int, since_us: int, until_us: int | None) -> int | None:
    """Time of an instrument's last reading in a span [µs]; None without one."""
    until_us = FOREVER_US if until_us is None else until_us
    row = one(
        conn.execute(
            "SELECT max(time) AS last FROM reading_of(%(id)s, %(since)s, %(until)s) WHERE time < %(until)s",
            {"id": instrument_id, "since": to_datetime(since_us), "until": to_datetime(until_us)},
        ).fetchone()
    )
    return _us(row["last"])


def assign(
    conn: Connection, job_id: int, instrument_id: int, since_us: int, until_us: int | None, *, deciding: bool
) -> None:
    """Let an instrument serve the job in a span of event time."""
    until = None if until_us is None else to_datetime(until_us)
    conn.execute(
        "INSERT INTO assignment (job_id, instrument_id, since, until, deciding) VALUES (%s, %s, %s, %s, %s)",
        (job_id, instrument_id, to_datetime(since_us), until, deciding),
    )


def release(conn: Connection, job_ids: Iterable[int]) -> dict[int, dict[int, int]]:
    """Take away all that is movable of walk-up jobs; returns which instruments each had since when [µs]."""
    rows = conn.execute(
        f"DELETE FROM assignment a USING job j WHERE j.id = a.job_id AND j.id = ANY(%s) AND {MOVABLE} "  # noqa: S608
        "RETURNING a.job_id, a.instrument_id, a.since",
        (sorted(job_ids),),
    )
    result: dict[int, dict[int, int]] = {}
    for row in rows:
        result.setdefault(row["job_id"], {})[row["instrument_id"]] = to_us(row["since"])
    return result


def reach(conn: Connection, job_id: int, old_us: int | None, new_us: int | None) -> None:
    """Let what serves a job go on from its old end to a later one [µs], or for ever (None), but not into what
    a person gave elsewhere. Walk-ups that are in the way must be moved before the constraint looks."""
    if old_us is None or (new_us is not None and new_us <= old_us):
        return
    conn.execute(
        "UPDATE assignment c SET until = least(%(new)s::timestamptz, (SELECT min(b.since) FROM assignment b "  # noqa: S608
        "WHERE b.instrument_id = c.instrument_id AND b.since >= c.until AND NOT EXISTS ("
        f"SELECT FROM assignment a JOIN job j ON j.id = a.job_id WHERE a.id = b.id AND {MOVABLE}))) "
        "WHERE c.job_id = %(job)s AND c.until = %(old)s AND NOT c.until_fixed",
        {
            "job": job_id,
            "old": to_datetime(old_us),
            "new": None if new_us is None else to_datetime(new_us),
        },
    )


def hand_over(conn: Connection, from_id: int, to_id: int) -> None:
    """Give all that is movable of a walk-up job to another."""
    conn.execute(
        f"UPDATE assignment a SET job_id = %s FROM job j WHERE j.id = a.job_id AND j.id = %s AND {MOVABLE}",  # noqa: S608
        (to_id, from_id),
    )


def begin(conn: Connection, job_id: int, opened_us: int) -> None:
    """Let a walk-up job begin elsewhere; what people know it by stays."""
    conn.execute(
        "UPDATE job SET known_at = coalesce(known_at, opened_at), opened_at = %s WHERE id = %s",
        (to_datetime(opened_us), job_id),
    )


def withdraw(conn: Connection, job_id: int, into_id: int | None, now_us: int) -> None:
    """There was no such walk-up job: its readings belong to ``into_id``, or show nothing."""
    conn.execute(
        "UPDATE job SET state = 'closed', closed_at = opened_at, closed_by_rule = true, withdrawn_at = %s, "
        "merged_into = %s WHERE id = %s",
        (to_datetime(now_us), into_id, job_id),
    )


_HOLDS = """
UPDATE hold_test h SET job_id = s.job
FROM unnest(%(jobs)s::int[], %(since)s::timestamptz[], %(until)s::timestamptz[]) AS s (job, since, until)
WHERE h.job_id = ANY(%(among)s) AND h.job_id <> s.job AND h.withdrawn_at IS NULL
  AND h.started_at >= s.since AND h.started_at < s.until
  AND NOT EXISTS (SELECT FROM hold_test o WHERE o.job_id = s.job AND o.started_at = h.started_at)
RETURNING h.id, s.job AS job
"""
# Alerts one by one in the order of their ids, as everybody locks them.
_ALERTS = """
SELECT id FROM alert WHERE job_id = ANY(%s) AND key LIKE ANY(%s) ORDER BY id FOR NO KEY UPDATE
"""


def move_holds(conn: Connection, spans: Sequence[Span], among: Iterable[int]) -> None:
    """Let hold tests belong to the job whose span they begin in, with all that was told of them.

    Parameters
    ----------
    spans : sequence of Span
        Of jobs, not of instruments.
    among : iterable of int
        The jobs that may have to give some up.
    """
    rows = conn.execute(
        _HOLDS,
        {
            "jobs": [span.instrument_id for span in spans],
            "since": [to_datetime(span.since_us) for span in spans],
            "until": [to_datetime(span.until_us) for span in spans],
            "among": sorted(among),
        },
    ).fetchall()
    for row in rows:
        both = {"job": row["job"], "hold": row["id"], "subject": f"hold:{row['id']}", "among": sorted(among)}
        conn.execute(
            "UPDATE fact f SET job_id = %(job)s FROM hold_test h WHERE h.id = %(hold)s "
            "AND f.job_id = ANY(%(among)s) AND f.job_id <> %(job)s AND f.subject_at = h.started_at "
            "AND f.kind LIKE 'hold-%%' AND NOT EXISTS (SELECT FROM fact o WHERE o.job_id = %(job)s "
            "AND o.kind = f.kind AND o.subject_at = f.subject_at)",
            both,
        )
        conn.execute(
            "UPDATE event SET job_id = %(job)s WHERE job_id = ANY(%(among)s) AND subject = %(subject)s", both
        )
        locked = conn.execute(_ALERTS, (sorted(among), [f"%/hold:hold:{row['id']}"])).fetchall()
        conn.execute(
            "UPDATE alert SET job_id = %(job)s, key = regexp_replace(key, '^job:[0-9]+/', %(prefix)s) "
            "WHERE id = ANY(%(ids)s)",
            {"job": row["job"], "prefix": f"job:{row['job']}/", "ids": [found["id"] for found in locked]},
        )


def lock(conn: Connection, gateway_ids: Iterable[int], instrument_ids: Iterable[int]) -> bool:
    """Try to have gateways and instruments to oneself until the end of the transaction."""
    rows = conn.execute(
        "SELECT bool_and(pg_try_advisory_xact_lock(class, id)) AS mine FROM ("
        "SELECT %s AS class, unnest(%s::int[]) AS id UNION ALL SELECT %s, unnest(%s::int[])) AS wanted",
        (GATEWAY_LOCK, sorted(set(gateway_ids)), INSTRUMENT_LOCK, sorted(set(instrument_ids))),
    ).fetchone()
    return bool(one(rows)["mine"])


def _us(at: object) -> int | None:
    return None if at is None else to_us(at)  # type: ignore[arg-type]
