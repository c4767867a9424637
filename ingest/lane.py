"""A lane: a session at the broker, its inbox, and its writer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

from ingest.client import Session
from ingest.config import IngestConfig
from ingest.inbox import Inbox
from ingest.lease import Lease
from ingest.refusing import Refusing
from ingest.registry import Registry
from ingest.space import Space
from ingest.writer import Writer
from model.clock import Clock
from model.errors import ThreadDied
from store.measures import Measures
from store.slots import Lost

NAMED = 20
"""So many gateways over their limits are named in a beat."""


class Lane:
    """Two threads that take in what some topics bring.

    Parameters
    ----------
    client_id : str
        Name of the session.
    age_s : float
        How long a message may wait for others to share its transaction [s].
    lease : Lease
        Without it nothing is taken in.
    """

    def __init__(
        self,
        name: str,
        client_id: str,
        config: IngestConfig,
        filters: Sequence[str],
        age_s: float,
        registry: Registry,
        space: Space,
        clock: Clock,
        measures: Measures,
        refusing: Refusing,
        lease: Lease,
    ) -> None:
        self.name = name
        self.measures = measures
        self.inbox = Inbox(config.held_bytes)
        self.session = Session(config.broker, client_id, filters, self.inbox, clock, lease)
        self.writer = Writer(
            name, config, self.inbox, self.session, registry, space, age_s, measures, clock, refusing, lease
        )  # fmt: skip

    def start(self) -> None:
        """Start both threads."""
        self.writer.start()
        self.session.start()

    @property
    def lost(self) -> bool:
        """Whether the database has said that the lease is over."""
        return isinstance(self.writer.failure, Lost)

    def check(self) -> None:
        """Raise `ThreadDied` if a thread has ended that should not."""
        for thread in (self.session, self.writer):
            if not thread.is_alive() and not self.session.left:
                raise ThreadDied(thread.name, thread.failure)

    def close(self) -> None:
        """Take nothing more, and end when the batch in hand is committed; not waited for."""
        self.inbox.closed = True
        self.writer.stop()

    def detail(self) -> dict[str, object]:
        """What the beat says of it."""
        self.measures.gauge("ingest_inbox_messages", len(self.inbox), lane=self.name)
        self.measures.gauge("ingest_inbox_bytes", self.inbox.held_bytes, lane=self.name)
        self.measures.gauge("ingest_inbox_oldest_seconds", self.inbox.oldest_s, lane=self.name)
        over = self.writer.limits.over()
        self.measures.gauge("ingest_gateways_over_limit", len(over), lane=self.name)
        self.measures.gauge("ingest_broker_connected", self.session.subscribed, lane=self.name)
        return {
            "broker": self.session.subscribed,
            "trouble": self.session.trouble or self.writer.trouble,
            "waiting": len(self.inbox),
            "waiting_bytes": self.inbox.held_bytes,
            "over_limit": over[:NAMED],
            "limits_among": self.writer.limits.among,
            **asdict(self.writer.counters),
        }
