"""What drying rounds look at: the circuit's refrigerant, the pump's reports, temperatures, earlier holds."""

from __future__ import annotations

from dataclasses import dataclass

from model.clock import to_datetime, to_us
from model.fluid import Fluid
from model.judgement import Cause
from model.reading import Quantity
from model.valve_facts import REPORT_FRESH_S
from store.database import Connection, one

COLDEST_K, HOTTEST_K = 173.15, 423.15
"""Outside this a thermometer is broken or unplugged, as in judgement."""

REFRIGERANT = "SELECT c.refrigerant FROM job j LEFT JOIN circuit c ON c.id = j.circuit_id WHERE j.id = %s"
# The first and the last report count as ends of gaps too; every pump of the job must have been running.
PUMP_RAN = """
    SELECT coalesce(bool_and(ran.told), false) AS ran
    FROM assignment a JOIN instrument i ON i.id = a.instrument_id AND i.role = 'pump'
    CROSS JOIN LATERAL (
        SELECT coalesce(min(r.value) <> 0 AND max(r.gap) <= make_interval(secs => %(gap_s)s), false) AS told
        FROM (
            SELECT value, time - coalesce(lag(time) OVER (ORDER BY time), %(since)s) AS gap
            FROM reading_of(i.id, %(since)s, 'infinity') WHERE quantity = %(pump)s AND place_id = 1
        ) r
    ) ran
    WHERE a.job_id = %(job)s AND a.until IS NULL
"""
TEMPERATURES = """
    SELECT min(r.value) AS coldest_k,
           max(least(r.time, r.arrived)) FILTER (WHERE r.quantity = %(circuit)s) AS circuit_at
    FROM assignment a CROSS JOIN LATERAL reading_of(a.instrument_id, %(since)s, 'infinity') r
    WHERE a.job_id = %(job)s AND a.until IS NULL AND r.quantity IN (%(circuit)s, %(ambient)s)
      AND r.value BETWEEN %(low)s AND %(high)s
"""
# A vacuum that was broken ends an evacuation.
LEAK = """
    SELECT coalesce(max((detail #>> ARRAY['diagnosis', 'probabilities', %(leak)s])::float8
                      + (detail #>> ARRAY['diagnosis', 'probabilities', %(both)s])::float8), 0) AS leak
    FROM hold_test
    WHERE job_id = %(job)s AND withdrawn_at IS NULL AND started_at >= coalesce((
        SELECT max(started_at) FROM phase WHERE job_id = %(job)s AND kind = 'vacuum-broken'), '-infinity')
"""


@dataclass(frozen=True, slots=True)
class Coldest:
    """The lowest temperature of circuit and surroundings [K], and when the circuit's was last heard [µs]."""

    kelvin: float
    heard_us: int


def fluid(conn: Connection, job_id: int) -> Fluid:
    """The refrigerant of a job's circuit."""
    row = conn.execute(REFRIGERANT, (job_id,)).fetchone()
    return Fluid.of(None if row is None else row["refrigerant"])


def pump_ran(conn: Connection, job_id: int, since_us: int) -> bool:
    """Whether the pumps of a job have been reported running since a moment [µs], without a gap, up to the
    last report."""
    given = {
        "job": job_id,
        "since": to_datetime(since_us),
        "pump": int(Quantity.PUMP),
        "gap_s": REPORT_FRESH_S,
    }
    return bool(one(conn.execute(PUMP_RAN, given).fetchone())["ran"])


def coldest(conn: Connection, job_id: int, since_us: int) -> Coldest | None:
    """The lowest temperature since a moment [µs]; None where the circuit's is not known."""
    given = {
        "job": job_id,
        "since": to_datetime(since_us),
        "circuit": int(Quantity.TEMPERATURE),
        "ambient": int(Quantity.AMBIENT),
        "low": COLDEST_K,
        "high": HOTTEST_K,
    }
    row = one(conn.execute(TEMPERATURES, given).fetchone())
    if row["circuit_at"] is None:
        return None
    return Coldest(row["coldest_k"], to_us(row["circuit_at"]))


def leak(conn: Connection, job_id: int) -> float:
    """The highest probability of a leak that a hold of the running evacuation has come to."""
    given = {"job": job_id, "leak": Cause.LEAK, "both": Cause.LEAK_AND_MOISTURE}
    return float(one(conn.execute(LEAK, given).fetchone())["leak"])
