"""Ingest processes with a fault each that must be found: ``python -m bench.chaos.mutants NAME``."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import Any

import ingest.client
import ingest.lane
from ingest.inbox import Inbox, Message
from ingest.receipts import Receipt
from ingest.writer import Batch, Stored, Writer
from ops import child
from store.packs import Ledger


class AcknowledgesFirst(Writer):
    """Acknowledges a batch and then commits it."""

    def store(self, batch: Batch) -> Stored:
        self._broker.acknowledge(batch.messages)
        return super().store(batch)


class AcknowledgesNext(Writer):
    """With a batch that is committed it acknowledges the one that has been read meanwhile."""

    def understand(self, messages: Sequence[Message]) -> Batch:
        self._newest = super().understand(messages)
        return self._newest

    def conclude(self, batch: Batch, stored: Stored) -> None:
        super().conclude(batch, stored)
        if self._newest is not batch:
            self._broker.acknowledge(self._newest.messages)


class ReceiptsFirst(Writer):
    """Sends receipts for a batch and then commits it."""

    def store(self, batch: Batch) -> Stored:
        for item in batch.items:
            pack = item.pack
            if pack is not None and item.instrument is not None and pack.number is not None:
                boot, seq = pack.number
                said = Ledger(item.instrument.id, boot, ((seq, seq),), ())
                self._broker.publish([Receipt(item.instrument.gateway, item.instrument.name, said, {seq})])
        return super().store(batch)


class LosesSecondBatch(Writer):
    """After a batch that had to be tried again, acknowledges the next without storing it."""

    def store(self, batch: Batch) -> Stored:
        retries = self.counters.retries
        if getattr(self, "_skips", False):
            self._skips = False
            return Stored([], self._clock.now_us())
        stored = super().store(batch)
        self._skips = self.counters.retries > retries
        return stored


class ForgetfulInbox(Inbox):
    """Drops what it holds at every new connection."""

    def reconnected(self, *, session_kept: bool) -> None:
        super().reconnected(session_kept=True)


class ForgetfulSession(ingest.client.Session):
    """Begins a new session at every connection, so that the broker forgets what it held."""

    def _make(self, client_id: str) -> Any:
        client = super()._make(client_id)
        client._clean_session = True
        return client


def _writer(kind: type[Writer]) -> Callable[[], None]:
    def patch() -> None:
        vars(ingest.lane)["Writer"] = kind

    return patch


def _forgets() -> None:
    vars(ingest.lane).update(Inbox=ForgetfulInbox, Session=ForgetfulSession)


MUTANTS: dict[str, Callable[[], None]] = {
    "acknowledges-before-commit": _writer(AcknowledgesFirst),
    "acknowledges-the-next": _writer(AcknowledgesNext),
    "receipts-before-commit": _writer(ReceiptsFirst),
    "forgets-on-reconnect": _forgets,
    "loses-second-batch": _writer(LosesSecondBatch),
}


if __name__ == "__main__":
    MUTANTS[sys.argv[1]]()
    sys.argv[1] = "ingest"
    child.main()
