"""One act of somebody on jobs: what it touches is collected and finished in the right order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from model.clock import to_datetime
from model.event import EventKind
from model.job import Job
from store import anew, audit, events
from store.database import Connection
from store.equipment import tell
from store.events import NewEvent


@dataclass(frozen=True, slots=True)
class Actor:
    """Who acts, as sentences and reasons name them, and when by the installation's clock [µs]."""

    name: str
    at_us: int
    person_id: int | None = None

    @property
    def by(self) -> audit.By:
        """For the audit."""
        return audit.By(to_datetime(self.at_us), self.person_id)


class Act:
    """Collects the jobs that are to be judged anew, what is told of them, and the audit.

    Call `done` last: events are recorded under a lock that orders all of them.
    """

    def __init__(self, conn: Connection, actor: Actor) -> None:
        self.conn = conn
        self.actor = actor
        self.anew: set[int] = set()
        self._told: list[NewEvent] = []

    def tell(self, kind: EventKind, job: Job, text: str, data: Mapping[str, object] | None = None) -> None:
        """Tell something of a job."""
        self._told.append(
            NewEvent(
                kind=kind,
                happened_us=self.actor.at_us,
                text=text,
                subject=f"job:{job.id}",
                site_id=job.site_id,
                job_id=job.id,
                data={"by": self.actor.name, **(data or {})},
            )
        )

    def also(self, told: list[NewEvent]) -> None:
        """Tell what another part found."""
        self._told += told

    def note(
        self,
        act: str,
        subject: str,
        before: Mapping[str, object] | None = None,
        after: Mapping[str, object] | None = None,
    ) -> None:
        """Keep for the audit."""
        audit.write(self.conn, self.actor.by, act, subject, before, after)

    def done(self, because: str) -> None:
        """Have the touched jobs judged anew for that reason, and tell all of it."""
        told = anew.ask(self.conn, self.anew, because, self.actor.at_us) if self.anew else []
        tell(self.conn)
        events.record(self.conn, [*self._told, *told], self.actor.at_us)


def local(moment: datetime | None, time_zone: str) -> str:
    """A moment at a site, for sentences: ``2026-11-24 02:13``; without one: ``now``."""
    return "now" if moment is None else f"{moment.astimezone(ZoneInfo(time_zone)):%Y-%m-%d %H:%M}"
