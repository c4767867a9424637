"""From a message to what shall be written: readings, a presence, an outcome, refusals."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from ingest import common, outcomes
from ingest import pack as packs
from ingest import report as reports
from ingest.inbox import Message
from ingest.outcomes import Told
from ingest.pack import Pack, RecordRefused
from ingest.registry import Equipment, Known
from ingest.report import Report
from ingest.senml import MAX_BYTES
from ingest.topics import PREFIX, Kind, parse
from model.errors import Refused
from store.quarantine import Refusal

UNKNOWN = frozenset({"unknown-gateway", "unknown-instrument"})
"""Refusals that a fresh look at the equipment may mend."""

OVER_LIMIT = "over-limit"
"""Laid aside unread, see `ingest.limits`."""
MENDABLE = UNKNOWN | {"revoked-gateway", "unit", "too-many-places", "database", OVER_LIMIT}
"""Refusals that somebody may mend here, so that their readings are taken after all."""
UNTAKEN = MENDABLE - {"unit", "too-many-places"}
"""Those of them that refuse a message whole, whatever it holds."""


class Item(msgspec.Struct, gc=False):
    """A message, understood as far as possible.

    Parameters
    ----------
    instrument : Known or None
        The registered instrument of a pack or an outcome.
    pack : Pack or None
        What it holds; also of an unregistered instrument, so that its number is known.
    unregistered : tuple of str
        Gateway and instrument of a pack whose gateway is registered and whose instrument is not.
    told : Told or None
        The outcome of an order, and ``order_id`` the order's number once it was found.
    keep : bool
        Whether all that is refused of it is kept, or only what may be mended.
    """

    message: Message
    gateway: str | None = None
    gateway_id: int | None = None
    instrument: Known | None = None
    pack: Pack | None = None
    report: Report | None = None
    unregistered: tuple[str, str] | None = None
    told: Told | None = None
    order_id: int | None = None
    refused: list[RecordRefused] = []
    keep: bool = True

    def all_refused(self) -> list[RecordRefused]:
        """What is refused of the message and of its pack."""
        return [*self.refused, *(self.pack.refused if self.pack and self.instrument else ())]

    def refusals(self) -> list[Refusal]:
        """What goes to quarantine: one for each reason, with how many records it concerns."""
        by_code: dict[str, list[RecordRefused]] = {}
        for refused in self.all_refused():
            by_code.setdefault(refused.code, []).append(refused)
        message = self.message
        return [
            Refusal(
                arrived_us=message.arrived_us,
                topic=storable(message.topic),
                gateway=self.gateway,
                reason=code,
                message=each[0].message + (f" ({len(each)} records)" if len(each) > 1 else ""),
                raw=message.payload,
                record=each[0].index,
                same=self._same(),
                keep=self.keep or code in MENDABLE,
            )
            for code, each in by_code.items()
        ]

    def _same(self) -> bytes:
        # The same bytes again are news only if they held readings without time and number.
        if self.pack is not None and self.pack.relative and self.pack.number is None:
            return self.message.arrived_us.to_bytes(8, "big", signed=True)
        return b""


def interpret(message: Message, equipment: Equipment) -> Item:
    """Understand a message; whatever it holds, the answer is an item, never an exception."""
    topic = message.topic
    # The commonest first: a pack of a known instrument; both ends of its topic have a fixed length.
    if topic.startswith(PREFIX) and topic.endswith(("/data", "/late")):
        known = equipment.instruments.get(topic[len(PREFIX) : -5])
        if known is not None:
            pack = _pack(message, known.units)
            return Item(message, gateway=known.gateway, instrument=known, pack=pack)
    item = Item(message)
    try:
        _other(item, equipment)
    except Refused as error:
        item.refused.append(RecordRefused(None, error.code, str(error)))
    return item


def _pack(message: Message, units: Mapping[str, float]) -> Pack:
    what = message.payload, message.arrived_us, units, message.content_type
    return common.read(*what) or packs.read(*what)


def _other(item: Item, equipment: Equipment) -> None:
    message = item.message
    topic = parse(message.topic)
    item.gateway = topic.gateway
    if topic.kind in (Kind.DATA, Kind.LATE):
        item.pack = _pack(message, packs.ALWAYS_UNITS)
    if topic.gateway in equipment.revoked:
        raise Refused("revoked-gateway", f"The gateway {topic.gateway} is revoked.")
    item.gateway_id = equipment.gateways.get(topic.gateway)
    if item.gateway_id is None:
        raise Refused("unknown-gateway", f"No gateway {topic.gateway} is registered.")
    if topic.kind == Kind.PRESENCE:
        item.report = reports.read(message.payload)
        return
    item.instrument = equipment.instruments.get(f"{topic.gateway}/{topic.instrument}")
    if item.instrument is None:
        item.unregistered = (topic.gateway, topic.instrument)
        raise Refused(
            "unknown-instrument", f"The gateway {topic.gateway} has no instrument {topic.instrument}."
        )
    item.told = outcomes.read(message.payload)


def storable(text: str) -> str:
    """A text that PostgreSQL can keep, whatever a stranger put in it."""
    return text.encode("utf-8", "replace").decode().replace("\0", "\ufffd")[:500]


def cut(payload: bytes) -> bytes:
    """As much of a payload as is kept: one byte more than a pack may have, so that it stays refused."""
    return payload if len(payload) <= MAX_BYTES else payload[: MAX_BYTES + 1]
