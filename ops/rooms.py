"""The rooms that run as processes: what to load for each, and its configuration from one wiring."""

from __future__ import annotations

import dataclasses
import importlib
import json
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from model.clock import Clock, ReplayClock, SystemClock
from ops import logs
from ops.settings import Settings

if TYPE_CHECKING:
    from desk.config import Write
    from model.channel import Channel, Letter
    from store.database import Connection

MODULES = {
    "ingest": "ingest.service",
    "analyse": "analytics.worker.service",
    "desk": "desk.worker.service",
    "serve": "api.service",
    "fleet": "ops.fleet",
}
"""Rooms by the command that runs them; the fleet belongs to the demo."""


@dataclass(frozen=True, slots=True)
class Wiring:
    """Where the parts of one installation find each other.

    Parameters
    ----------
    database_url, mqtt_url : str
        The database, and the broker with the login of our own processes.
    http_address, http_port : str, int
        Where pages and API listen.
    certificate, key : str
        Files of the certificate that pages and API show; empty: plain http.
    gateways_url, trust : str
        Where gateways find the broker, and the authority of its certificate; empty: not known.
    metrics_token : str
        Opens ``/metrics`` without a login; empty: nothing does.
    webhook_url : str
        Where alerts are posted; empty: nowhere.
    public_url : str
        Where people find the pages; empty: not known.
    seal_key : str
        Under which addresses that hold secrets are kept; empty: none can be.
    mail : dict or None
        Fields of `desk.config.MailServer`, ``ca`` as text; None: no mail goes out.
    record_key : str
        Signs records of evacuations; empty: none can be made.
    keep_days, columnstore_days : int or None, int
        What is kept of the readings how long, see `store.upkeep.Rules`.
    replay : str or None
        Three numbers of a replay clock; None: the machine's clock.
    gateways : dict
        The demo's gateways and their passwords.
    seed : int
        Of the demo's fleet.
    technician : list of str
        Login and password of the demo's technician at the pages; empty: there is none.
    shared : bool
        Whether several ingest processes share the load.
    """

    database_url: str
    mqtt_url: str = ""
    http_address: str = "127.0.0.1"
    http_port: int = 8080
    certificate: str = ""
    key: str = ""
    gateways_url: str = ""
    trust: str = ""
    metrics_token: str = ""
    webhook_url: str = ""
    record_key: str = ""
    public_url: str = ""
    seal_key: str = ""
    mail: dict[str, Any] | None = None
    keep_days: int | None = None
    columnstore_days: int = 7
    replay: str | None = None
    gateways: dict[str, str] = dataclasses.field(default_factory=dict)
    seed: int = 1
    technician: list[str] = dataclasses.field(default_factory=list)
    shared: bool = False

    def text(self) -> str:
        """One line, for handing to another process."""
        return json.dumps(dataclasses.asdict(self))

    @classmethod
    def parse(cls, text: str) -> Wiring:
        """The inverse of `text`."""
        return cls(**json.loads(text))

    @property
    def clock(self) -> Clock:
        """The installation's clock."""
        return ReplayClock.parse(self.replay) if self.replay else SystemClock()


def mail_of(settings: Settings) -> dict[str, Any] | None:
    """`Wiring.mail` by the settings."""
    if not settings.mail_host:
        return None
    usual = {"starttls": 587, "tls": 465, "off": 25}
    return {
        "host": settings.mail_host,
        "port": settings.mail_port or usual[settings.mail_tls],
        "tls": settings.mail_tls,
        "sender": settings.mail_from or "",
        "user": settings.mail_user or "",
        "password": settings.mail_password or "",
        "ca": str(settings.mail_ca.absolute()) if settings.mail_ca else "",
    }


def load(room: str) -> None:
    """Import what the room needs."""
    importlib.import_module(MODULES[room])


def warm() -> None:
    """Import what any room or first start needs, so that its bytecode is there."""
    for module in (*MODULES.values(), "alembic.command", "ops.cli", "ops.demo", "ops.up"):
        importlib.import_module(module)


def log_to_stderr() -> None:
    """How every process writes its log, see `ops.logs`."""
    logs.begin()


def run(room: str, wiring: Wiring, stop: threading.Event) -> None:
    """Run the room in this process until ``stop`` is set."""
    log_to_stderr()
    RUNNERS[room](wiring, stop)


def _ingest(wiring: Wiring, stop: threading.Event) -> None:
    from ingest.config import BrokerConfig, IngestConfig
    from ingest.service import run as run_ingest

    broker = BrokerConfig.from_url(wiring.mqtt_url)
    config = IngestConfig(wiring.database_url, broker, shared=wiring.shared)
    run_ingest(config, wiring.clock, stop)


def _analyse(wiring: Wiring, stop: threading.Event) -> None:
    from analytics.worker.config import AnalyseConfig
    from analytics.worker.service import run as run_analysis
    from store.upkeep import Rules

    rules = Rules(wiring.keep_days, wiring.columnstore_days)
    run_analysis(AnalyseConfig(dsn=wiring.database_url, upkeep=rules), wiring.clock, stop)


def _desk(wiring: Wiring, stop: threading.Event) -> None:
    from desk.config import DeskConfig, MailServer
    from desk.worker.service import run as run_desk
    from store.seal import Seal

    mail = None
    if wiring.mail is not None:
        mail = MailServer(**{**wiring.mail, "ca": Path(ca) if (ca := wiring.mail["ca"]) else None})
    clock = wiring.clock
    config = DeskConfig(
        dsn=wiring.database_url,
        webhook_url=wiring.webhook_url,
        write=_written_by(wiring.public_url, clock),
        mail=mail,
        seal=Seal(wiring.seal_key),
    )
    run_desk(config, clock, stop)


def _written_by(address: str, clock: Clock) -> Write:
    """Writes messages; what that needs is loaded with the first one."""
    made: list[Write] = []

    def write(conn: Connection, channel: Channel, reason: str, body: Mapping[str, Any]) -> Letter:
        if not made:
            from api.letters import Writer

            made.append(Writer(address, clock))
        return made[0](conn, channel, reason, body)

    return write


def _serve(wiring: Wiring, stop: threading.Event) -> None:
    from api.config import ApiConfig, MqttProbe
    from api.service import run as run_api
    from ingest.config import BrokerConfig
    from ingest.replay import replay
    from model.meeting import Meeting
    from store.seal import Seal

    probe = None
    if wiring.mqtt_url:
        broker = BrokerConfig.from_url(wiring.mqtt_url)
        probe = MqttProbe(broker.host, broker.port, broker.username, broker.password, broker.tls_context)
    config = ApiConfig(
        dsn=wiring.database_url,
        host=wiring.http_address,
        port=wiring.http_port,
        mqtt=probe,
        meeting=Meeting.parse(wiring.gateways_url, wiring.trust) if wiring.gateways_url else None,
        metrics_token=wiring.metrics_token or None,
        certificate=Path(wiring.certificate) if wiring.certificate else None,
        key=Path(wiring.key) if wiring.key else None,
        record_key=wiring.record_key,
        public_url=wiring.public_url,
        replay=replay,
        seal=Seal(wiring.seal_key),
        sends_mail=wiring.mail is not None,
    )
    run_api(config, wiring.clock, stop)


def _fleet(wiring: Wiring, stop: threading.Event) -> None:
    from ops.fleet import run_fleet

    run_fleet(wiring, stop)


RUNNERS = {
    "ingest": _ingest,
    "analyse": _analyse,
    "desk": _desk,
    "serve": _serve,
    "fleet": _fleet,
}
