"""What stands around an alert when it goes its way: `desk.core.pipeline.Scene`, as plain values.

The shelf, the site's switch, the gateway and its own alert, what is out of service, how often it was raised
lately, and what the log says people were told.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from model.alert import Priority
from model.clock import to_datetime, to_us
from store.database import Connection, one

_AROUND = """
WITH about AS (
    SELECT a.id, a.key, coalesce(a.site_id, job.site_id) AS site_id, a.instrument_id,
           coalesce(i.gateway_id, named.id) AS gateway_id
    FROM alert a LEFT JOIN job ON job.id = a.job_id LEFT JOIN instrument i ON i.id = a.instrument_id
    LEFT JOIN gateway named ON named.name = substring(a.key FROM '^gateway:([^/]+)/')
    WHERE a.id = %(alert)s
)
SELECT hands.since AS hands_since, shelf.until AS shelf_until, shelf.priority AS shelf_priority,
       shelf.reason AS shelf_reason, out.reason AS out_reason, out.what AS out_what, gateway.name AS gateway,
       whole.active AS gateway_silent, whole.back AS gateway_back, raised.at AS raised, told.key AS told_key,
       told.priority AS told_priority FROM about LEFT JOIN local_hands hands ON hands.site_id = about.site_id
       LEFT JOIN gateway ON gateway.id = about.gateway_id LEFT JOIN LATERAL ( SELECT until, priority, reason
       FROM alert_shelf WHERE key = about.key AND ended_at IS NULL AND until > %(now)s ORDER BY id DESC LIMIT
       1 ) shelf ON true LEFT JOIN LATERAL ( SELECT o.reason, CASE WHEN o.gateway_id IS NULL THEN 'instrument'
       ELSE 'gateway' END AS what FROM out_of_service o WHERE o.ended_at IS NULL AND (o.instrument_id =
       about.instrument_id OR o.gateway_id = about.gateway_id) ORDER BY o.id LIMIT 1 ) out ON true LEFT JOIN
       LATERAL ( SELECT bool_or(state IN ('active-unacknowledged', 'active-acknowledged')) AS active,
       max(cleared_at) AS back FROM alert WHERE key = 'gateway:' || gateway.name || '/silent' ) whole ON true
       LEFT JOIN LATERAL ( SELECT array_agg(h.at ORDER BY h.at) AS at FROM alert b JOIN alert_history h ON
       h.alert_id = b.id WHERE b.key = about.key AND h.what IN ('raised', 'raised-again') AND h.at > %(since)s
       ) raised ON true LEFT JOIN LATERAL ( SELECT key, body -> 'data' ->> 'priority' AS priority FROM
       notification WHERE alert_id = about.id AND key LIKE 'alert:%%' ORDER BY id DESC LIMIT 1 ) told ON true
       """


@dataclass(frozen=True, slots=True)
class Around:
    """As `desk.core.pipeline.Scene` wants it; times [µs].

    Parameters
    ----------
    shelf : tuple or None
        Until when, the priority that it was put there with, and why.
    known : tuple or None
        Edition, whether it was said to be active, and its priority then.
    """

    out_of_service: str | None
    hands_since_us: int | None
    gateway: str | None
    gateway_back_us: int | None
    shelf: tuple[int, Priority, str] | None
    raised_us: tuple[int, ...]
    known: tuple[int, bool, Priority] | None


def around(conn: Connection, alert_id: int, now_us: int, back_us: int) -> Around:
    """What stands around an alert; of when it was raised, what is no older than ``back_us`` [µs]."""
    given = {"alert": alert_id, "now": to_datetime(now_us), "since": to_datetime(now_us - back_us)}
    row = one(conn.execute(_AROUND, given, prepare=True).fetchone())
    out = row["out_reason"]
    return Around(
        out_of_service=None if out is None else f"This {row['out_what']} is out of service: {out}",
        hands_since_us=None if row["hands_since"] is None else to_us(row["hands_since"]),
        gateway=row["gateway"] if row["gateway_silent"] else None,
        gateway_back_us=None if row["gateway_back"] is None else to_us(row["gateway_back"]),
        shelf=None if row["shelf_until"] is None else _shelf(row),
        raised_us=tuple(to_us(at) for at in row["raised"] or ()),
        known=None if row["told_key"] is None else _known(row),
    )


def key(alert_id: int, edition: int, *, active: bool) -> str:
    """What of an alert goes out once over a channel."""
    return f"alert:{alert_id}/{edition}/{'active' if active else 'cleared'}"


def _shelf(row: dict[str, Any]) -> tuple[int, Priority, str]:
    return to_us(row["shelf_until"]), Priority(row["shelf_priority"]), row["shelf_reason"]


def _known(row: dict[str, Any]) -> tuple[int, bool, Priority]:
    _, edition, word = row["told_key"].split("/")
    return int(edition), word == "active", Priority(row["told_priority"])
