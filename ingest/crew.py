"""The slots that a process serves: its own, and those that others left behind.

Alone, a process has one slot with everything. With others, each has a slot with a share of the packs, and one
of them besides what must keep its order: presence, of which shared subscriptions bring nothing retained
(MQTT 5.0, section 4.8.2), and outcomes of orders.

What the broker has given to a slot's session stays there, also while nobody serves it: Mosquitto goes on
giving it its share, hands nothing over to others, and throws away what is left when the session ends
(measured with 2.0.11). So a slot is left in order (no more messages, those that wait taken in and
acknowledged, then the session ended), and whoever finds one that its holder left behind does that for it.
"""

from __future__ import annotations

import logging
import os
import secrets
import socket
import time
from collections.abc import Iterator
from dataclasses import dataclass

import psycopg

from ingest.config import IngestConfig
from ingest.lane import Lane
from ingest.lease import Free, Lease
from ingest.refusing import Refusing
from ingest.registry import Registry
from ingest.space import Space
from ingest.topics import DATA_FILTERS, LATE_FILTERS, LIVE_FILTERS, WORD_FILTERS, shared
from model.clock import Clock
from model.errors import BadInput
from store import slots
from store.database import Connection
from store.measures import Measures
from store.slots import LEASE_S, Kind

log = logging.getLogger(__name__)

RENEW_S = LEASE_S / 5
GRACE_S = LEASE_S / 2
"""Who has only just come (back) leaves others so much time to come back to their slots too [s]."""
FAREWELL_S = 1.8
"""How long a stop waits for what is in hand; what is not acknowledged then comes again later."""
LEAVE_S = 1.0
"""How much of it is for what waits at the broker; what is left then is taken in by another process."""


@dataclass(slots=True)
class Seat:
    """A slot that this process serves."""

    lease: Lease
    lanes: list[Lane]
    leaving: bool = False
    """Somebody left it behind; it is emptied and ended."""
    told: bool = False
    """The database knows that the broker brings messages."""

    @property
    def lost(self) -> bool:
        """Whether it is ours no longer."""
        return not self.lease.held or any(lane.lost for lane in self.lanes)

    @property
    def subscribed(self) -> bool:
        """Whether the broker brings messages on all its lanes."""
        return all(lane.session.subscribed for lane in self.lanes)

    @property
    def left(self) -> bool:
        """Whether nothing is left of it at the broker."""
        return all(lane.session.left for lane in self.lanes)


class Crew:
    """All seats of this process.

    Raises
    ------
    BadInput
        If the load is to be shared without MQTT 5.
    """

    def __init__(
        self,
        config: IngestConfig,
        registry: Registry,
        space: Space,
        clock: Clock,
        measures: Measures,
        refusing: Refusing,
    ) -> None:
        if config.shared and not config.broker.mqtt5:
            raise BadInput(
                "Several ingest processes need MQTT 5: let HOLDFAST_MQTT_URL be a Mosquitto's and end with "
                "?version=5, or set HOLDFAST_INGEST_PROCESSES to 1."
            )
        self._config = config
        self._registry = registry
        self._space = space
        self._clock = clock
        self._measures = measures
        self._refusing = refusing
        self._holder = f"{socket.gethostname()}:{os.getpid()}:{secrets.token_hex(4)}"
        self._seats: dict[Kind, Seat] = {}
        self._drain: Seat | None = None
        self._had = ""
        """The share that was lost last; it may still be free."""
        self._next = 0.0
        self._returns = 0

    def begin(self) -> None:
        """Take a place that does not depend on anybody's leave."""
        if not self._config.shared:
            lease = Free(self._config.client_id, Kind.ALONE, self._holder, time.monotonic())
            self._seats[Kind.ALONE] = self._sit(lease)

    # What the main loop calls -----------------------------------------------------------------------

    def check(self) -> None:
        """Give up what is lost; raises `ThreadDied` if something else ended."""
        for kind, seat in list(self._seats.items()):
            if seat.lost:
                log.warning(
                    "%s: the lease is over; what it holds is left to who takes it", seat.lease.session
                )
                self._had = seat.lease.session if kind is Kind.SHARE else self._had
                _give_up(self._seats.pop(kind))
        if self._drain is not None and self._drain.lost:
            _give_up(self._drain)
            self._drain = None
        for lane in self._lanes():
            lane.check()

    def detail(self) -> dict[str, dict[str, object]]:
        """What the beat says of each lane."""
        return {lane.name: lane.detail() for seat in self._seats.values() for lane in seat.lanes}

    def tend(self, conn: Connection) -> None:
        """Renew, take and give back leases, as often as it is needed; call it several times a second."""
        fresh = [seat for seat in self._seats.values() if seat.subscribed and not seat.told]
        if self._drain is not None and self._drain.left:
            self._retire(conn, self._drain)
            self._drain = None
        elif time.monotonic() < self._next and not fresh:
            return
        self._next = time.monotonic() + RENEW_S
        for seat in (*self._seats.values(), *([self._drain] if self._drain else [])):
            seat.lease.renew(conn, serving=seat.subscribed)
            seat.told = seat.told or seat.subscribed
        if self._config.shared:
            self._take_share(conn)
            self._take_word(conn)
            among = max(1, slots.sharing(conn, f"{self._config.client_id}-"))
            for lane in self._lanes():
                lane.writer.limits.among = among
        self._look_after_others(conn)

    def leave(self, conn: Connection | None) -> None:
        """Commit what is in hand, acknowledge it and disconnect; end a share if another one goes on."""
        deadline = time.monotonic() + FAREWELL_S
        share = self._seats.get(Kind.SHARE)
        if share is not None and conn is not None and _may_leave(conn, share, self._holder):
            _empty(share, time.monotonic() + LEAVE_S)
        lanes = list(self._lanes())
        for lane in lanes:
            lane.close()
        for lane in lanes:
            lane.writer.join(max(0.0, deadline - 0.8 - time.monotonic()))
        for lane in lanes:
            lane.session.stop()
        for lane in lanes:
            lane.session.join(max(0.2, deadline - time.monotonic()))
        if conn is not None:
            self._let_go(conn)

    # Seats ------------------------------------------------------------------------------------------

    def _sit(self, lease: Lease, *, leaving: bool = False) -> Seat:
        lanes = [
            Lane(
                f"left-{name}" if leaving else name,
                f"{lease.session}-{name}",
                self._config,
                filters,
                self._config.late_age_s if name == "late" else self._config.live_age_s,
                self._registry,
                self._space,
                self._clock,
                self._measures,
                self._refusing,
                lease,
            )
            for name, filters in self._topics(lease.kind)
        ]
        for lane in lanes:
            if leaving:
                lane.session.leave()
            lane.start()
        return Seat(lease, lanes, leaving)

    def _topics(self, kind: Kind) -> list[tuple[str, tuple[str, ...]]]:
        """Lanes of a slot, and what each subscribes to."""
        group = self._config.client_id
        match kind:
            case Kind.ALONE:
                return [("live", LIVE_FILTERS), ("late", LATE_FILTERS)]
            case Kind.SHARE:
                return [("live", shared(group, DATA_FILTERS)), ("late", shared(group, LATE_FILTERS))]
            case Kind.WORD:
                return [("word", WORD_FILTERS)]

    def _lanes(self) -> Iterator[Lane]:
        for seat in self._seats.values():
            yield from seat.lanes
        if self._drain is not None:
            yield from self._drain.lanes

    def _take_share(self, conn: Connection) -> None:
        if Kind.SHARE in self._seats:
            return
        asked_s = time.monotonic()
        had, self._had = self._had, ""
        if had and slots.take(conn, had, Kind.SHARE, self._holder):
            session = had
        else:
            session = slots.take_share(conn, self._config.client_id, self._holder)
        log.info("takes the slot %s", session)
        self._seats[Kind.SHARE] = self._sit(Lease(session, Kind.SHARE, self._holder, asked_s))

    def _take_word(self, conn: Connection) -> None:
        if Kind.WORD in self._seats:
            return
        asked_s, session = time.monotonic(), f"{self._config.client_id}-one"
        if slots.take(conn, session, Kind.WORD, self._holder):
            log.info("takes the slot %s", session)
            self._seats[Kind.WORD] = self._sit(Lease(session, Kind.WORD, self._holder, asked_s))

    # Others' slots ----------------------------------------------------------------------------------

    def _look_after_others(self, conn: Connection) -> None:
        if not self._config.broker.mqtt5:
            return
        returns = sum(
            max(lane.session.connections - 1, 0) for seat in self._seats.values() for lane in seat.lanes
        )
        if returns > self._returns:
            slots.look_again(conn)
        self._returns = returns
        kinds = self._kinds_to_empty()
        if self._drain is not None or not kinds:
            return
        asked_s = time.monotonic()
        found = slots.take_abandoned(conn, self._config.client_id, kinds, self._holder)
        if found is not None:
            session, kind = found
            log.info("empties the slot %s, which was left behind", session)
            self._drain = self._sit(Lease(session, kind, self._holder, asked_s), leaving=True)

    def _kinds_to_empty(self) -> list[Kind]:
        """What somebody else brings by now, so that nothing is missed when it ends."""
        now = time.monotonic()
        sure = {
            kind
            for kind, seat in self._seats.items()
            if seat.subscribed and now - seat.lease.since_s > GRACE_S
        }
        if Kind.ALONE in sure:
            return [Kind.SHARE, Kind.WORD]
        if Kind.SHARE not in sure:
            return []
        return [Kind.SHARE, Kind.ALONE] if Kind.WORD in sure else [Kind.SHARE]

    def _retire(self, conn: Connection, seat: Seat) -> None:
        for lane in seat.lanes:
            lane.close()
        slots.retire(conn, seat.lease.session, self._holder)
        taken = sum(lane.writer.counters.messages for lane in seat.lanes)
        log.info("the slot %s is ended; %d messages were in it", seat.lease.session, taken)

    def _let_go(self, conn: Connection) -> None:
        try:
            for seat in (*self._seats.values(), *([self._drain] if self._drain else [])):
                if seat.left:
                    self._retire(conn, seat)
                else:
                    slots.release(conn, seat.lease.session, self._holder)
        except psycopg.Error:
            log.info("the slots could not be given back: others take them when their time is over")


def _may_leave(conn: Connection, seat: Seat, holder: str) -> bool:
    try:
        return not seat.lost and slots.may_leave(conn, seat.lease.session, holder)
    except psycopg.Error:
        return False


def _empty(seat: Seat, deadline: float) -> None:
    for lane in seat.lanes:
        lane.session.leave()
    for lane in seat.lanes:
        lane.session.join(max(0.0, deadline - time.monotonic()))


def _give_up(seat: Seat) -> None:
    """Acknowledge nothing more, and let the threads end when they can."""
    seat.lease.end()
    for lane in seat.lanes:
        lane.close()
        lane.session.stop()
