"""Every reading that served a job, channel by channel, as its record carries it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from model.reading import Quantity
from store.database import Connection
from store.readings import POSTGRES_EPOCH_US
from store.series import PAIR


@dataclass(frozen=True, slots=True)
class Channel:
    """One quantity of an instrument at a place, in order of time and value.

    Parameters
    ----------
    pairs : ndarray of `PAIR`, shape (n,)
        Times [µs since 1970] and values in SI.
    """

    instrument_id: int
    quantity: Quantity
    place: str
    pairs: NDArray[np.void]


# A reading may be among the readings and the evidence for a while, and two assignments may touch: once is
# enough. Of several values of one time all are kept.
_CHANNELS = """
SELECT instrument_id, quantity, place, string_agg(packed, ''::bytea ORDER BY time, value) AS packed
FROM (
    SELECT DISTINCT a.instrument_id, r.quantity, p.name AS place, r.time, r.value,
           timestamptz_send(r.time) || float8send(r.value) AS packed
    FROM assignment a
    CROSS JOIN LATERAL reading_of(a.instrument_id, a.since, coalesce(a.until, %(until)s)) r
    JOIN place p ON p.id = r.place_id
    WHERE a.job_id = %(job)s AND (a.until IS NULL OR r.time < a.until)
) one GROUP BY instrument_id, quantity, place ORDER BY instrument_id, quantity, place
"""


def of(conn: Connection, job_id: int, until: datetime) -> list[Channel]:
    """What the instruments of a job sent while they served it, up to a moment where they still do."""
    known = {int(quantity) for quantity in Quantity}
    rows = conn.execute(_CHANNELS, {"job": job_id, "until": until}, binary=True)
    return [
        Channel(
            row["instrument_id"], Quantity(row["quantity"]), row["place"], _since_1970(bytes(row["packed"]))
        )
        for row in rows
        if row["quantity"] in known
    ]


def _since_1970(packed: bytes) -> NDArray[np.void]:
    pairs = np.frombuffer(packed, PAIR).copy()
    pairs["time_us"] += POSTGRES_EPOCH_US
    return pairs
