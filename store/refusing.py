"""Episodes in which a gateway's messages are refused: one row a gateway, however many messages come.

Any number of ingest processes add to a row; the desk looks at it by a timer, says what is to be said, and
deletes it when it has been quiet for a while.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from model.clock import to_datetime, to_us
from model.refusing import Episode
from store import timers
from store.database import Connection
from store.timers import Timer

LOOK = "gateway-refused"
"""Kind of the timers; the subject is the name of the gateway."""

_ADD = """
INSERT INTO refusal_episode AS e (gateway, since, at, messages, beyond, reason, sentence)
SELECT * FROM unnest(%s::text[], %s::timestamptz[], %s::timestamptz[], %s::bigint[], %s::bigint[],
                     %s::text[], %s::text[]) ORDER BY 1
ON CONFLICT (gateway) DO UPDATE SET at = greatest(e.at, excluded.at),
    messages = e.messages + excluded.messages, beyond = e.beyond + excluded.beyond,
    reason = excluded.reason, sentence = excluded.sentence
RETURNING gateway, told = 0 OR (beyond > 0 AND NOT told_beyond) AS news
"""


@dataclass(frozen=True, slots=True)
class Refused:
    """What was refused of a gateway since it was noted last.

    Parameters
    ----------
    since_us, at_us : int
        Arrival of the first and the last message [µs].
    beyond : int
        Messages of them that were beyond a limit: only counted, or laid aside unread.
    reason, sentence : str
        Of the last one.
    """

    since_us: int
    at_us: int
    messages: int
    beyond: int
    reason: str
    sentence: str

    def joined(self, later: Refused) -> Refused:
        """With what was refused later."""
        return Refused(
            self.since_us,
            max(self.at_us, later.at_us),
            self.messages + later.messages,
            self.beyond + later.beyond,
            later.reason,
            later.sentence,
        )


def note(conn: Connection, refused: Mapping[str, Refused], now_us: int) -> None:
    """Add up what was refused of gateways, by name, and have the desk look where that is news."""
    told = sorted(refused.items())
    rows = conn.execute(
        _ADD,
        (
            [name for name, _ in told],
            [to_datetime(each.since_us) for _, each in told],
            [to_datetime(each.at_us) for _, each in told],
            [each.messages for _, each in told],
            [each.beyond for _, each in told],
            [each.reason for _, each in told],
            [each.sentence for _, each in told],
        ),
    )
    timers.put(conn, [Timer(LOOK, row["gateway"], now_us) for row in rows.fetchall() if row["news"]])


def lock(conn: Connection, gateway: str) -> Episode | None:
    """A gateway's episode, held until the transaction ends."""
    row = conn.execute(
        "SELECT e.*, g.id AS gateway_id, g.site_id FROM refusal_episode e "
        "LEFT JOIN gateway g ON g.name = e.gateway WHERE e.gateway = %s FOR UPDATE OF e",
        (gateway,),
    ).fetchone()
    if row is None:
        return None
    return Episode(
        gateway=row["gateway"],
        gateway_id=row["gateway_id"],
        site_id=row["site_id"],
        since_us=to_us(row["since"]),
        at_us=to_us(row["at"]),
        messages=row["messages"],
        beyond=row["beyond"],
        reason=row["reason"],
        sentence=row["sentence"],
        told=row["told"],
        told_beyond=row["told_beyond"],
    )


def told(conn: Connection, episode: Episode) -> None:
    """Remember that it was told as it is now."""
    conn.execute(
        "UPDATE refusal_episode SET told = %s, told_beyond = %s WHERE gateway = %s",
        (episode.messages, episode.beyond > 0, episode.gateway),
    )


def end(conn: Connection, gateway: str) -> None:
    """Forget the episode."""
    conn.execute("DELETE FROM refusal_episode WHERE gateway = %s", (gateway,))
