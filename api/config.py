"""What the API must be told."""

from __future__ import annotations

import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from model.clock import Clock
from model.meeting import Meeting
from store.database import Connection
from store.seal import Seal


@dataclass(frozen=True, slots=True)
class MqttProbe:
    """How to ask the broker whether it answers: by connecting as the service does.

    Parameters
    ----------
    tls : callable or None
        Gives the context of a TLS connection, or None for a plain one.
    """

    host: str
    port: int
    username: str | None = None
    password: str | None = None
    tls: Callable[[], ssl.SSLContext | None] = lambda: None


class Replayed(Protocol):
    """What reading refused messages again came to."""

    @property
    def readings(self) -> int:
        """Readings stored that were not there before."""

    @property
    def mended(self) -> int:
        """Refusals of which nothing is refused for that reason any more."""

    @property
    def still_refused(self) -> int:
        """Refusals that stay."""


Replay = Callable[[Connection, Clock, Sequence[int]], Replayed]
"""Reads refused messages again by their numbers; the connection commits each statement."""


@dataclass(frozen=True, slots=True)
class ApiConfig:
    """Settings of the API process.

    Parameters
    ----------
    dsn : str
        Connection string of the database.
    host, port : str, int
        Where to listen; port 0 takes a free one.
    mqtt : MqttProbe or None
        The broker that readiness includes, if any.
    processes : tuple of str
        Whose signs of life readiness includes.
    beat_limit_s : float
        How old a sign of life may be [s].
    cookie_secure : bool or None
        Whether the login cookie travels by https only; None: when the login itself came by https.
    login_days : float
        How long a login lasts.
    meeting : Meeting or None
        Where gateways find the broker; None: worked out from where we find it.
    metrics_token : str or None
        Bearer token that opens ``/metrics`` without a login.
    connections : int
        Most connections to the database for requests.
    heading : str
        Name of this installation, shown beside the program's.
    certificate, key : Path or None
        Serve https with these (PEM), read anew when they change; None: http.
    record_key : str
        Signs records of evacuations: 32 random bytes in base64; empty: none can be made.
    public_url : str
        Where others find these pages; empty: where who asks has found them.
    replay : callable or None
        Reads refused messages again, which is the business of another room; None: here nobody can.
    seal : Seal
        Keeps addresses that hold secrets.
    sends_mail : bool
        Whether the settings name a mail server; only said on pages.
    """

    dsn: str
    host: str = "127.0.0.1"
    port: int = 8470
    mqtt: MqttProbe | None = None
    processes: tuple[str, ...] = ("ingest", "analyse", "desk")
    beat_limit_s: float = 10.0
    cookie_secure: bool | None = None
    login_days: float = 14.0
    meeting: Meeting | None = None
    metrics_token: str | None = None
    connections: int = 8
    heading: str = ""
    certificate: Path | None = None
    key: Path | None = None
    record_key: str = field(default="", repr=False)
    public_url: str = ""
    replay: Replay | None = None
    seal: Seal = field(default_factory=lambda: Seal(""))
    sends_mail: bool = True
