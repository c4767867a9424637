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

from model.clock import to_datetime
from store.database import Connection

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
    """Note how packs of gateways, by name, came; names that are not registered are passed over."""
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


def ahead(conn: Connection, gateway_id: int | None = None) -> dict[int, float]:
    """How far each gateway's clock (or that one's) is ahead of ours [s]; no entry: not known."""
    rows = conn.execute(
        "SELECT gateway_id, ahead_s FROM gateway_clock_ahead "
        "WHERE %(gateway)s::int IS NULL OR gateway_id = %(gateway)s",
        {"gateway": gateway_id},
    )
    return {row["gateway_id"]: row["ahead_s"] for row in rows}
