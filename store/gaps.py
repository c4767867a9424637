"""What is missing in what was set up, so that judgements or messages would be poorer for it."""

from __future__ import annotations

from typing import Any

from physics.refrigerants import PLAIN_NAMES
from store.database import Connection, one

_GAPS = """
SELECT 'circuit' AS kind, c.id, c.name || ' at ' || s.name AS name, 'volume' AS what
FROM circuit c JOIN site s ON s.id = c.site_id WHERE c.volume_m3 IS NULL
UNION ALL
SELECT 'circuit', c.id, c.name || ' at ' || s.name, 'refrigerant'
FROM circuit c JOIN site s ON s.id = c.site_id WHERE c.refrigerant IS NULL
UNION ALL
SELECT 'circuit', c.id, c.name || ' at ' || s.name, 'refrigerant-not-listed'
FROM circuit c JOIN site s ON s.id = c.site_id
WHERE NOT lower(replace(trim(c.refrigerant), '-', '')) = ANY(%(listed)s)
UNION ALL
SELECT 'instrument', i.id, g.name || '/' || i.name, 'range'
FROM instrument i JOIN gateway g ON g.id = i.gateway_id
WHERE i.role = 'gauge' AND i.range_high_pa IS NULL AND i.retired_at IS NULL
UNION ALL
SELECT 'gateway', g.id, g.name, 'never-heard' FROM gateway g
WHERE g.revoked_at IS NULL AND NOT EXISTS (SELECT FROM gateway_presence p WHERE p.gateway_id = g.id)
AND NOT EXISTS (SELECT FROM instrument i JOIN latest l ON l.instrument_id = i.id WHERE i.gateway_id = g.id)
AND NOT EXISTS (SELECT FROM quarantine q WHERE q.gateway = g.name)
UNION ALL
SELECT 'gateway', g.id, g.name, 'all-refused' FROM gateway g
WHERE g.revoked_at IS NULL AND EXISTS (SELECT FROM quarantine q WHERE q.gateway = g.name)
AND NOT EXISTS (SELECT FROM instrument i JOIN latest l ON l.instrument_id = i.id WHERE i.gateway_id = g.id)
UNION ALL
SELECT 'gateway', g.id, g.name, 'no-instrument' FROM gateway g
WHERE g.revoked_at IS NULL AND NOT EXISTS (SELECT FROM instrument i WHERE i.gateway_id = g.id)
ORDER BY 1, 4, 3
"""

_COUNTS = """
SELECT (SELECT count(*) FROM site) AS sites, (SELECT count(*) FROM circuit) AS circuits,
       (SELECT count(*) FROM crew) AS crews,
       (SELECT count(*) FROM gateway WHERE revoked_at IS NULL) AS gateways,
       (SELECT count(*) FROM gateway WHERE revoked_at IS NOT NULL) AS revoked,
       (SELECT count(*) FROM instrument WHERE retired_at IS NULL) AS instruments,
       (SELECT count(*) FROM instrument WHERE retired_at IS NOT NULL) AS retired,
       (SELECT count(DISTINCT name) FROM procedure) AS procedures
"""


def gaps(conn: Connection) -> list[dict[str, Any]]:
    """Things with ``kind``, ``id``, ``name`` and ``what`` is missing."""
    return conn.execute(_GAPS, {"listed": list(PLAIN_NAMES)}).fetchall()


def counts(conn: Connection) -> dict[str, int]:
    """How many there are of each kind."""
    return dict(one(conn.execute(_COUNTS).fetchone()))
