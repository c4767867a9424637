"""What a process knows of a slot that it holds: until when, on its own steady clock."""

from __future__ import annotations

import time

from store import slots
from store.database import Connection
from store.slots import LEASE_S, Kind

MARGIN_S = LEASE_S / 10
"""A holder stops so long before others may begin [s]."""


class Lease:
    """A slot of this process; threads ask it whether they may go on.

    Parameters
    ----------
    session : str
        Begins the names of the slot's sessions at the broker.
    asked_s : float
        Of the steady clock, before the database was asked for the slot [s].
    """

    def __init__(self, session: str, kind: Kind, holder: str, asked_s: float) -> None:
        self.session = session
        self.kind = kind
        self.since_s = asked_s
        self._holder = holder
        self._ends_s = asked_s + LEASE_S - MARGIN_S

    @property
    def held(self) -> bool:
        """Whether nobody else can have it yet."""
        return time.monotonic() < self._ends_s

    def renew(self, conn: Connection, *, serving: bool) -> None:
        """Hold it longer, or not at all if it is somebody else's."""
        asked_s = time.monotonic()
        if slots.renew(conn, self.session, self._holder, serving=serving):
            self._ends_s = asked_s + LEASE_S - MARGIN_S
        else:
            self.end()

    def end(self) -> None:
        """Hold it no longer."""
        self._ends_s = -float("inf")

    def fence(self, conn: Connection) -> None:
        """See `store.slots.fence`."""
        slots.fence(conn, self.session, self._holder)


class Free(Lease):
    """The slot of a process that takes everything alone: it goes on whatever the database says."""

    @property
    def held(self) -> bool:
        """Always."""
        return True

    def renew(self, conn: Connection, *, serving: bool) -> None:
        """So that nobody empties its sessions meanwhile."""
        slots.hold_alone(conn, self.session, self._holder)

    def fence(self, conn: Connection) -> None:
        """Nothing: what is written twice is written once."""
