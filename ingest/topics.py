"""Topics of the gateway contract, version 1: ``hf/1/{gateway}/…``."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from model.equipment import NAME
from model.errors import Refused

PREFIX = "hf/1/"


class Kind(StrEnum):
    """What a message is, by its topic."""

    DATA = "data"
    LATE = "late"
    PRESENCE = "presence"
    OUTCOME = "outcome"


DATA_FILTERS = (f"{PREFIX}+/+/data",)
LATE_FILTERS = (f"{PREFIX}+/+/late",)
WORD_FILTERS = (f"{PREFIX}+/presence", f"{PREFIX}+/+/outcome")
"""What gateways say of themselves and of orders."""
LIVE_FILTERS = (*DATA_FILTERS, *WORD_FILTERS)


@dataclass(frozen=True, slots=True)
class Topic:
    """A topic taken apart; ``instrument`` is empty where the topic has none."""

    kind: Kind
    gateway: str
    instrument: str = ""


def parse(text: str) -> Topic:
    """Take a topic of a gateway's message apart.

    Raises
    ------
    Refused
        ``"topic"`` if it is none of the contract's, ``"name"`` if a name in it may not be one.
    """
    match text.split("/"):
        case ["hf", "1", gateway, "presence"]:
            topic = Topic(Kind.PRESENCE, gateway)
        case ["hf", "1", gateway, instrument, ("data" | "late" | "outcome") as kind]:
            topic = Topic(Kind(kind), gateway, instrument)
        case _:
            raise Refused("topic", "The topic is none that a gateway may publish on.")
    for name in (gateway, instrument) if topic.instrument or topic.kind != Kind.PRESENCE else (gateway,):
        if not NAME.fullmatch(name):
            raise Refused("name", f"{name[:60]!a} cannot be the name of a gateway or an instrument.")
    return topic


def shared(group: str, filters: tuple[str, ...]) -> tuple[str, ...]:
    """Filters of which each message goes to one of a group (MQTT 5.0, section 4.8.2)."""
    return tuple(f"$share/{group}/{each}" for each in filters)


def receipt_topic(gateway: str) -> str:
    """Where a gateway reads its receipts."""
    return f"{PREFIX}{gateway}/receipt"


def order_topic(gateway: str, instrument: str) -> str:
    """Where a gateway reads orders for an instrument."""
    return f"{PREFIX}{gateway}/{instrument}/order"
