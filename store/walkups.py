"""Walk-up jobs: a gauge that serves no job and falls below 50 kPa opens one at its gateway's site."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from model.clock import to_datetime, to_us
from model.equipment import Position, Role
from model.reading import Quantity
from store.database import Connection, one
from store.work import Span

BELOW_PA = 50_000.0
"""A gauge that reads less is on a pump, not in a van; one that is over its range says nothing of it."""

LOOK_BACK_US = 86_400 * 1_000_000
"""A walk-up job takes the readings of this long before its first low one: late packs may bring an earlier low
reading, and it must belong to the same job in whatever order they come."""


@dataclass(frozen=True, slots=True)
class Free:
    """A low reading of a gauge at a time when it served no job.

    Parameters
    ----------
    time_us : int
        Event time of the earliest low reading [µs].
    after_us : int or None
        End of the job that it served before [µs].
    before_us : int or None
        Beginning of the job that it serves next [µs].
    """

    instrument_id: int
    gateway_id: int
    label: str
    site_id: int
    site: str
    time_us: int
    after_us: int | None
    before_us: int | None


@dataclass(frozen=True, slots=True)
class Neighbour:
    """An instrument of a gateway, and when it would be free around a moment."""

    id: int
    gateway_id: int
    role: Role
    position: Position
    free_since_us: int | None
    """End of its last assignment before the moment [µs], None if it had none."""
    free_until_us: int | None
    """Beginning of its next one after the moment [µs], None if it has none."""
    busy: bool
    """Whether it serves a job at the moment."""


# A touched span may be free in parts; the earliest low reading that no assignment covers is what counts.
# Over-range as in the judgement: at the range's top but for what converting loses, or reported. A report
# stands until the next one only with gauges that also report the end of it.
_FREE = """
SELECT i.id, i.gateway_id, g.name || '/' || i.name AS label, g.site_id, s.name AS site, low.time AS time,
       (SELECT max(until) FROM assignment WHERE instrument_id = i.id AND until <= low.time) AS after,
       (SELECT min(since) FROM assignment WHERE instrument_id = i.id AND since > low.time) AS before
FROM unnest(%(ids)s::int[], %(since)s::timestamptz[], %(until)s::timestamptz[]) AS t (id, since, until)
JOIN instrument i ON i.id = t.id AND i.role = 'gauge' AND i.retired_at IS NULL
JOIN gateway g ON g.id = i.gateway_id
JOIN site s ON s.id = g.site_id
CROSS JOIN LATERAL (
    SELECT r.time FROM reading r
    WHERE r.instrument_id = i.id AND r.quantity = %(pressure)s AND r.place_id = 1
      AND r.time BETWEEN t.since AND t.until AND r.value < %(below)s
      AND (i.range_high_pa IS NULL OR r.value < i.range_high_pa * (1 - 1e-6))
      AND NOT coalesce((
          SELECT o.value <> 0 AND (o.time = r.time OR EXISTS (
              SELECT FROM reading z
              WHERE z.instrument_id = i.id AND z.quantity = %(overrange)s AND z.place_id = 1
                AND z.time < r.time AND z.value = 0))
          FROM reading o
          WHERE o.instrument_id = i.id AND o.quantity = %(overrange)s AND o.place_id = 1
            AND o.time <= r.time
          ORDER BY o.time DESC, o.value LIMIT 1), false)
      AND NOT EXISTS (
          SELECT FROM assignment a WHERE a.instrument_id = i.id AND a.since <= r.time
             AND (a.until IS NULL OR a.until > r.time))
    ORDER BY r.time LIMIT 1
) low
WHERE i.position = 'circuit' OR NOT EXISTS (
    SELECT FROM instrument o
    WHERE o.gateway_id = i.gateway_id AND o.role = 'gauge' AND o.position = 'circuit'
      AND o.retired_at IS NULL)
ORDER BY i.id
"""


def free(conn: Connection, spans: Sequence[Span]) -> list[Free]:
    """Gauges whose touched spans hold a low reading that belongs to no job.

    A gauge on the pump's side opens a job only where its gateway has none on the circuit's side.
    """
    rows = conn.execute(
        _FREE,
        {
            "ids": [span.instrument_id for span in spans],
            "since": [to_datetime(span.since_us) for span in spans],
            "until": [to_datetime(span.until_us) for span in spans],
            "pressure": int(Quantity.PRESSURE),
            "overrange": int(Quantity.OVERRANGE),
            "below": BELOW_PA,
        },
        prepare=True,
    )
    return [
        Free(
            instrument_id=row["id"],
            gateway_id=row["gateway_id"],
            label=row["label"],
            site_id=row["site_id"],
            site=row["site"],
            time_us=to_us(row["time"]),
            after_us=None if row["after"] is None else to_us(row["after"]),
            before_us=None if row["before"] is None else to_us(row["before"]),
        )
        for row in rows
    ]


_NEIGHBOURS = """
SELECT i.id, i.gateway_id, i.role, i.position,
       max(a.until) FILTER (WHERE a.until <= %(at)s) AS free_since,
       min(a.since) FILTER (WHERE a.since > %(at)s) AS free_until,
       coalesce(bool_or(a.since <= %(at)s AND (a.until IS NULL OR a.until > %(at)s)), false) AS busy
FROM instrument i LEFT JOIN assignment a ON a.instrument_id = i.id
WHERE i.gateway_id = %(gateway)s AND i.retired_at IS NULL
GROUP BY i.id
ORDER BY i.id
"""


def neighbours(conn: Connection, gateway_id: int, at_us: int) -> list[Neighbour]:
    """The instruments of a gateway, and when each is free around a moment of event time [µs]."""
    rows = conn.execute(_NEIGHBOURS, {"gateway": gateway_id, "at": to_datetime(at_us)})
    return [
        Neighbour(
            id=row["id"],
            gateway_id=row["gateway_id"],
            role=Role(row["role"]),
            position=Position(row["position"]),
            free_since_us=None if row["free_since"] is None else to_us(row["free_since"]),
            free_until_us=None if row["free_until"] is None else to_us(row["free_until"]),
            busy=row["busy"],
        )
        for row in rows
    ]


def last_reading(conn: Connection, instrument_id: int, after_us: int, before_us: int | None) -> int | None:
    """Time of an instrument's last reading between two moments, neither included [µs]; None without one."""
    row = one(
        conn.execute(
            "SELECT max(time) AS last FROM reading WHERE instrument_id = %s AND time > %s "
            "AND time < coalesce(%s, 'infinity'::timestamptz)",
            (instrument_id, to_datetime(after_us), None if before_us is None else to_datetime(before_us)),
        ).fetchone()
    )
    return None if row["last"] is None else to_us(row["last"])


def assign(
    conn: Connection, job_id: int, instrument_id: int, since_us: int, until_us: int | None, *, deciding: bool
) -> None:
    """Let an instrument serve the job in a span of event time."""
    one(
        conn.execute(
            "INSERT INTO assignment (job_id, instrument_id, since, until, deciding) "
            "VALUES (%s, %s, %s, %s, %s) RETURNING id",
            (
                job_id,
                instrument_id,
                to_datetime(since_us),
                None if until_us is None else to_datetime(until_us),
                deciding,
            ),
        ).fetchone()
    )
