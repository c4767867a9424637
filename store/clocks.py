"""How gateways' clocks go against ours.

A pack that says when it was sent arrives later than that by its way, and earlier or later by the difference
of the clocks. A way only adds, so the least such lag of a window is the nearest to the difference [1]_.

References
----------
.. [1] RFC 5905, section 10: NTP's clock filter trusts, of the last samples, the one with the least delay.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta

from model.clock import to_datetime, to_us
from model.skew import BEHIND_S, TOLERANCE_S, Clock
from store import timers
from store.database import Connection
from store.timers import Timer

LOOK = "gateway-clock"
"""Kind of the timers of clocks that seem wrong; the subject is the gateway's number."""

WINDOW = timedelta(minutes=10)
"""A clock that was set is seen to be right after two of these at the latest."""

_NOTE = """
INSERT INTO gateway_clock AS c (gateway_id, since, lag_us, packs, at)
SELECT id, %(at)s, %(lag_us)s, %(packs)s, %(at)s FROM gateway WHERE name = %(name)s
ON CONFLICT (gateway_id) DO UPDATE SET (since, lag_us, before_us, packs, at) = (
    SELECT CASE WHEN new THEN excluded.at ELSE c.since END,
           CASE WHEN new THEN excluded.lag_us ELSE least(c.lag_us, excluded.lag_us) END,
           CASE WHEN NOT new THEN c.before_us WHEN excluded.at < c.since + 2 * %(window)s THEN c.lag_us END,
           CASE WHEN new THEN 0 ELSE c.packs END + excluded.packs,
           greatest(c.at, excluded.at)
    FROM (SELECT excluded.at >= c.since + %(window)s AS new) age
)
"""


_SUSPECT = """
UPDATE gateway_clock c SET suspected_at = %s
FROM gateway g, gateway_clock_ahead a
WHERE g.id = c.gateway_id AND a.gateway_id = c.gateway_id AND g.name = ANY(%s)
  AND c.suspected_at IS NULL AND g.revoked_at IS NULL AND (a.ahead_s > %s OR a.ahead_s < %s)
RETURNING c.gateway_id
"""


@dataclass(frozen=True, slots=True)
class Lag:
    """The least time from sending to arrival of some packs of a gateway.

    Parameters
    ----------
    lag_us : int
        Negative if the gateway's clock is ahead [µs].
    packs : int
    at_us : int
        When the last of them arrived [µs].
    """

    lag_us: int
    packs: int
    at_us: int

    def joined(self, other: Lag) -> Lag:
        """With those of another."""
        return Lag(min(self.lag_us, other.lag_us), self.packs + other.packs, max(self.at_us, other.at_us))


def note(conn: Connection, lags: Mapping[str, Lag]) -> None:
    """Note how packs of gateways, by name, came, and have the desk look at clocks that seem wrong by it.

    Names that are not registered are passed over.
    """
    with conn.cursor() as cursor:
        cursor.executemany(
            _NOTE,
            [
                {
                    "name": name,
                    "lag_us": lag.lag_us,
                    "packs": lag.packs,
                    "at": to_datetime(lag.at_us),
                    "window": WINDOW,
                }
                for name, lag in sorted(lags.items())
            ],
        )
    now_us = max(lag.at_us for lag in lags.values())
    suspects = conn.execute(_SUSPECT, (to_datetime(now_us), sorted(lags), TOLERANCE_S, -BEHIND_S)).fetchall()
    timers.put(conn, [Timer(LOOK, str(row["gateway_id"]), now_us) for row in suspects])


def ahead(conn: Connection, gateway_id: int | None = None) -> dict[int, float]:
    """How far each gateway's clock (or that one's) is ahead of ours [s]; no entry: not known."""
    rows = conn.execute(
        "SELECT gateway_id, ahead_s FROM gateway_clock_ahead "
        "WHERE %(gateway)s::int IS NULL OR gateway_id = %(gateway)s",
        {"gateway": gateway_id},
    )
    return {row["gateway_id"]: row["ahead_s"] for row in rows}


def lock(conn: Connection, gateway_id: int) -> Clock | None:
    """A clock that has seemed wrong, held until the transaction ends."""
    row = conn.execute(
        "SELECT g.name, g.site_id, g.revoked_at, c.suspected_at, c.told_s, a.ahead_s FROM gateway_clock c "
        "JOIN gateway g ON g.id = c.gateway_id "
        "LEFT JOIN gateway_clock_ahead a ON a.gateway_id = c.gateway_id "
        "WHERE c.gateway_id = %s AND c.suspected_at IS NOT NULL FOR NO KEY UPDATE OF c",
        (gateway_id,),
    ).fetchone()
    if row is None:
        return None
    return Clock(
        gateway_id,
        row["name"],
        row["site_id"],
        row["ahead_s"],
        to_us(row["suspected_at"]),
        row["told_s"],
        row["revoked_at"] is not None,
    )


def told(conn: Connection, clock: Clock) -> None:
    """Remember that it was told as it is now."""
    conn.execute(
        "UPDATE gateway_clock SET told_s = %s WHERE gateway_id = %s", (clock.ahead_s, clock.gateway_id)
    )


def settled(conn: Connection, gateway_id: int) -> None:
    """It seems right; it may be suspected anew."""
    conn.execute(
        "UPDATE gateway_clock SET suspected_at = NULL, told_s = NULL WHERE gateway_id = %s", (gateway_id,)
    )
