"""What the desk is told by whoever starts it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from model.channel import Channel, Letter
from store.database import Connection
from store.seal import Seal

Write = Callable[[Connection, Channel, str, Mapping[str, Any]], Letter]
"""Writes a message for people from its reason and body; that is the business of another room."""


@dataclass(frozen=True, slots=True)
class MailServer:
    """Through which mail goes out.

    Parameters
    ----------
    tls : str
        ``starttls``, ``tls`` from the first byte, or ``off``.
    sender : str
        Address of the sender, perhaps with a name: ``Holdfast <holdfast@example.org>``.
    user, password : str
        Login; empty: none.
    ca : Path or None
        Certificate authorities; None: the system's.
    """

    host: str
    port: int
    tls: str
    sender: str
    user: str = ""
    password: str = field(default="", repr=False)
    ca: Path | None = None


@dataclass(frozen=True, slots=True)
class DeskConfig:
    """Settings of a desk process.

    Parameters
    ----------
    dsn : str
        Connection string of the database.
    webhook_url : str
        Where alerts are posted besides the channels of the database; empty: nowhere. It may hold a secret and
        enters no log.
    webhook_timeout_s : float
        Longest time of one delivery, from connecting to the answer's headers [s].
    webhook_parallel : int
        Deliveries in flight at once to a webhook, so that a slow one does not hold up the next alert. Over
        other channels one message goes after the other.
    message_timeout_s : float
        Longest time of one message to people [s].
    backoff_s, backoff_limit_s : float
        Wait after the first failed delivery [s], doubled after each further one up to the limit.
    attempts : int
        Deliveries are given up after so many. The default tries for about three days.
    source : str
        Source of the CloudEvents: a URI reference that names this installation.
    instance : str
        Name of this process among several desks; empty: host and process id.
    write : callable or None
        Writes messages for people; None: this desk serves webhooks only.
    mail : MailServer or None
        None: no mail goes out.
    seal : Seal
        Opens addresses that may hold secrets.
    """

    dsn: str
    webhook_url: str = field(default="", repr=False)
    webhook_timeout_s: float = 10.0
    webhook_parallel: int = 4
    message_timeout_s: float = 60.0
    backoff_s: float = 1.0
    backoff_limit_s: float = 300.0
    attempts: int = 880
    source: str = "urn:holdfast:desk"
    instance: str = ""
    write: Write | None = None
    mail: MailServer | None = None
    seal: Seal = field(default_factory=lambda: Seal(""))
