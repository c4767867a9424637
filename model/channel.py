"""Over which ways people are told, and what over each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Kind(StrEnum):
    """What a channel leads to."""

    MAIL = "mail"
    """A mailbox, through the mail server of the settings."""
    SERVICE = "service"
    """A messenger, a gateway to telephones, a push service: whatever `apprise` has an address for."""
    WEBHOOK = "webhook"
    """A program: alerts as CloudEvents."""

    @property
    def for_people(self) -> bool:
        """Whether people read what comes there."""
        return self is not Kind.WEBHOOK


class Tells(StrEnum):
    """What goes over a channel, as its owner chose."""

    ALERTS = "alerts"
    """What Dispatch is told."""
    PLANS = "plans"
    """How the hold plans of its owner went."""
    MORNINGS = "mornings"
    """The holds of the night, in the morning."""


OFFERED: Mapping[bool, tuple[Tells, ...]] = {
    True: (Tells.PLANS, Tells.MORNINGS),
    False: (Tells.ALERTS, Tells.MORNINGS),
}
"""What can be chosen for a person's channel, and for the company's: the whole of who is told what."""


@dataclass(frozen=True, slots=True)
class Channel:
    """A way to somebody.

    Parameters
    ----------
    person_id : int or None
        Whose; None: the company's, that is Dispatch's.
    shown : str
        Its address without anything that may be a secret.
    of_settings : bool
        The webhook that the settings name.
    address : str or None
        Of a mailbox.
    sealed : bytes or None
        An address that may hold secrets, see `store.seal`.
    time_zone, locale : str or None
        Of the browser in which it was entered.
    stopped_at, stopped_because
        Nothing is sent until somebody lets it go on.
    failed_at, failure
        The latest message was given up.
    """

    id: int
    person_id: int | None
    kind: Kind
    name: str
    shown: str
    tells: tuple[Tells, ...]
    of_settings: bool = False
    address: str | None = None
    sealed: bytes | None = None
    time_zone: str | None = None
    locale: str | None = None
    stopped_at: datetime | None = None
    stopped_because: str = ""
    failed_at: datetime | None = None
    failure: str = ""


@dataclass(frozen=True, slots=True)
class Letter:
    """A message for people.

    Parameters
    ----------
    subject : str
        One line: where, and what to do.
    text, html : str
        The same message twice.
    brief : str
        For where only a line or two fit.
    """

    subject: str
    text: str
    html: str
    brief: str
