"""Sites that are switched to local hands: what the switches report, and what was told of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from model.clock import to_datetime, to_us
from model.reading import Quantity
from store.database import Connection

LOOK = "local-hands"
"""Kind of the timers; the subject is the site's number."""

# Only where the reports and what was told differ; of several switches at a site one is enough.
_NOTE = """
INSERT INTO timer (kind, subject, due)
SELECT DISTINCT %(kind)s, g.site_id::text, %(now)s::timestamptz
FROM latest l JOIN instrument i ON i.id = l.instrument_id JOIN gateway g ON g.id = i.gateway_id
LEFT JOIN local_hands h ON h.site_id = g.site_id
WHERE l.quantity = %(hands)s AND l.instrument_id = ANY(%(instruments)s)
  AND (l.value <> 0) <> (h.site_id IS NOT NULL)
ON CONFLICT DO NOTHING
"""
_SWITCHED = """
SELECT s.id, s.name, told.since AS told_since,
       (SELECT min(l.time) FROM latest l JOIN instrument i ON i.id = l.instrument_id
        JOIN gateway g ON g.id = i.gateway_id
        WHERE g.site_id = s.id AND l.quantity = %(hands)s AND l.value <> 0) AS since
FROM site s LEFT JOIN local_hands told ON told.site_id = s.id WHERE s.id = %(site)s
"""


@dataclass(frozen=True, slots=True)
class Switch:
    """How the switches of a site stand; times [µs], None: none on local hands.

    Parameters
    ----------
    since_us : int or None
        Time of the latest report of one that says so.
    told_us : int or None
        Since when it was told to be so.
    """

    site_id: int
    site: str
    since_us: int | None
    told_us: int | None


def note(conn: Connection, instrument_ids: Sequence[int], now_us: int) -> None:
    """Have the desk look at the sites whose switches have just reported something new."""
    given = {"kind": LOOK, "now": to_datetime(now_us), "hands": int(Quantity.HANDS)}
    if conn.execute(_NOTE, {**given, "instruments": list(instrument_ids)}).rowcount:
        conn.execute("SELECT pg_notify('timer', '')")


def switch(conn: Connection, site_id: int) -> Switch | None:
    """How a site's switches stand; None: there is no such site."""
    row = conn.execute(_SWITCHED, {"site": site_id, "hands": int(Quantity.HANDS)}).fetchone()
    if row is None:
        return None
    since, told = row["since"], row["told_since"]
    return Switch(
        row["id"],
        row["name"],
        None if since is None else to_us(since),
        None if told is None else to_us(told),
    )


def write(conn: Connection, site_id: int, since_us: int | None) -> None:
    """Write down what is told of it."""
    if since_us is None:
        conn.execute("DELETE FROM local_hands WHERE site_id = %s", (site_id,))
        return
    conn.execute(
        "INSERT INTO local_hands (site_id, since) VALUES (%s, %s) ON CONFLICT (site_id) DO NOTHING",
        (site_id, to_datetime(since_us)),
    )
