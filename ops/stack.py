"""A whole installation on one machine: services, processes, and one supervisor over them.

What can overlap does: the database is made while the processes load their modules; they begin once
the schema is there and the broker answers.
"""

from __future__ import annotations

import http.client
import signal
import ssl
import threading
import time
from collections.abc import Callable, Iterable
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from model.clock import SystemClock
from model.errors import Unavailable
from ops import logs, tls
from ops.embedded.broker import ANY_ADDRESS
from ops.embedded.process import free_port
from ops.installation import Installation, locked, open_installation, write
from ops.rooms import Wiring, load, mail_of, run
from ops.services import (
    BrokerService,
    DatabaseService,
    EquipmentWatch,
    Ports,
    broker_url,
    database_url,
    ingest_listens,
)
from ops.settings import Settings
from ops.supervisor import Supervisor, Worker
from ops.tls import Keeper

if TYPE_CHECKING:
    from ops.certificates import Pair

USUAL_HTTP_PORT = {False: 8080, True: 8443}
USUAL_MQTT_PORT = {False: 1883, True: 8883}
"""Without and with TLS."""

FIRST_ANSWER_S = 60.0
FOREIGN = ("fleet",)
"""What speaks to us like somebody else's gateways."""


@dataclass(frozen=True, slots=True)
class Kind:
    """What sets a demo and a real installation apart.

    Parameters
    ----------
    name : str
        Kept in the data folder.
    rooms : tuple of str
        Which processes run.
    prepare : callable
        Gets settings, the connection string of the migrated database and what the folder remembers; gives
        back what it shall remember.
    greet : callable
        Gets the address of the pages and the installation once the pages answer.
    accompany : callable
        Called about ten times a second from then on.
    """

    name: str
    rooms: tuple[str, ...]
    prepare: Callable[[Settings, str, Installation], Installation]
    greet: Callable[[str, Installation], None]
    accompany: Callable[[Installation], None]


class Stack:
    """One installation, from the lock of its folder to the last process."""

    def __init__(self, settings: Settings, kind: Kind, say: Callable[[str], None]) -> None:
        self.settings = settings
        self.kind = kind
        if logs.begin(quiet=True):
            say = logs.log.warning
        self.data_dir: Path = settings.data_dir.absolute()
        self.supervisor = Supervisor(say)
        self._say = say
        self._database: DatabaseService | None = None
        self._broker: BrokerService | None = None
        self._watch: EquipmentWatch | None = None
        self._keeper: Keeper | None = None
        self._ports = Ports()
        self._greeted = False
        self._began = time.monotonic()

    def run(self) -> None:
        """Start everything, keep it alive until Ctrl-C or SIGTERM, and end everything."""
        with locked(self.data_dir):
            self.supervisor.handle_signals()
            with ExitStack() as farewell:
                farewell.callback(self._end)
                self._start()
                if not self.supervisor.stopping.is_set():
                    self.supervisor.run(self._each_tick)

    def _start(self) -> None:
        settings, installation = self.settings, open_installation(self.data_dir, self.kind.name)
        pages_pair = self._certificate(settings.http_address)
        installation = installation.with_(
            http_port=self._choose_port(
                settings.http_port,
                installation.http_port,
                USUAL_HTTP_PORT,
                settings.http_address,
                "the pages",
            ),
            trust=str(self._keeper.trust or "") if self._keeper else "",
        )
        for name, room in workers(self.kind.rooms, settings):
            self.supervisor.preload(Worker(name, room, self.data_dir / "log" / f"{name}.log"))
        if settings.database_url is None:
            self._database = DatabaseService(self.data_dir)
            self._database.spawn()
        dsn = self._open_database()
        installation = self.kind.prepare(settings, dsn, installation)
        installation, mqtt_url = self._open_broker(dsn, installation)
        write(self.data_dir, installation)
        self._installation = installation
        assert installation.http_port is not None
        wiring = Wiring(
            database_url=dsn,
            mqtt_url=mqtt_url,
            shared=settings.ingest_processes > 1,
            http_address=settings.http_address,
            http_port=installation.http_port,
            certificate=str(pages_pair.certificate) if pages_pair else "",
            key=str(pages_pair.key) if pages_pair else "",
            gateways_url=settings.gateways_url or installation.gateways_url,
            trust=installation.trust,
            metrics_token=settings.metrics_token or "",
            webhook_url=settings.webhook_url or "",
            record_key=settings.record_key or installation.record_key,
            public_url=tls.pages_address(settings, installation.http_port),
            seal_key=settings.seal_key or installation.seal_key,
            mail=mail_of(settings),
            keep_days=settings.keep_days,
            columnstore_days=settings.columnstore_days,
            replay=installation.replay,
            gateways=installation.gateways,
            seed=settings.seed,
            technician=[who.login, who.password] if (who := installation.technician) else [],
        )
        self._order = wiring.text()
        self.supervisor.begin(self._order, but=() if installation.opened else FOREIGN)

    def _certificate(self, address: str) -> Pair | None:
        """What a listener shows, None if it is to be plain; made or checked when first asked for."""
        if not tls.wanted(self.settings, address):
            return None
        if self._keeper is None:
            self._keeper = Keeper(self.settings, self.data_dir / "tls", SystemClock(), self._say)
            self._keeper.begin()
        return self._keeper.pair

    def _choose_port(
        self, wanted: int | None, remembered: int | None, usual: dict[bool, int], address: str, what: str
    ) -> int:
        secure = tls.wanted(self.settings, address)
        # Do not go on with the usual port of the other kind when TLS was turned on or off.
        known = None if remembered == usual[not secure] else remembered
        return self._ports.choose(wanted, known, usual[secure], address, what)

    def _open_database(self) -> str:
        from store.database import connect_or_say
        from store.migrate import migrate

        if self._database is None:
            dsn = database_url(self.settings)
            connect_or_say(dsn, application="ops").close()
        else:
            self._database.server.wait_ready()
            self.supervisor.watch_service(self._database)
            dsn = self._database.server.dsn
        migrate(dsn)
        return dsn

    def _open_broker(self, dsn: str, installation: Installation) -> tuple[Installation, str]:
        settings = self.settings
        if (url := broker_url(settings)) is not None:
            return installation.with_(gateways_url=""), url
        address = settings.mqtt_address
        pair = self._certificate(address)
        for _ in range(3):
            port = self._choose_port(
                settings.mqtt_port, installation.mqtt_port, USUAL_MQTT_PORT, address, "the broker"
            )
            broker = BrokerService(self.data_dir, dsn, installation.broker_password, address, port, pair)
            self._broker = broker
            if installation.opened:
                broker.refresh()
            broker.spawn()
            try:
                broker.server.wait_ready()
                break
            except Unavailable:
                # Another program may have taken the port in between.
                broker.server.stop()
                if settings.mqtt_port is not None or free_port(port) == port:
                    raise
        self.supervisor.watch_service(broker)
        self._watch = EquipmentWatch(dsn)
        scheme = "mqtts" if pair else "mqtt"
        return (
            installation.with_(
                mqtt_port=port,
                gateways_url=f"{scheme}://{in_url(tls.best_name(settings, address))}:{port}",
                trust=str(self._keeper.trust or "") if self._keeper else "",
            ),
            broker.url,
        )

    def _each_tick(self) -> None:
        if self._keeper is not None and self._keeper.look() and self._broker is not None:
            self._renew_certificate(self._broker)
        if not self._installation.opened:
            self._open_when_heard()
        elif self._watch is not None and self._watch.changed.is_set():
            self._watch.changed.clear()
            self._renew_users()
        if not self._greeted:
            self._greet_when_answered()
        else:
            self.kind.accompany(self._installation)

    def _open_when_heard(self) -> None:
        """At the first start ever: let gateways in once the ingest has subscribed."""
        import psycopg

        dsn = Wiring.parse(self._order).database_url
        with suppress(psycopg.Error):
            if ingest_listens(dsn) and self._renew_users():
                self._installation = self._installation.with_(opened=True)
                write(self.data_dir, self._installation)
                self.supervisor.begin(self._order)

    def _renew_users(self) -> bool:
        """Tell the broker of gateways that came or went.

        What fails is tried again: the watch reports once more when it has the database back, and a broker
        that starts anew reads its users then.
        """
        import psycopg

        if self._broker is None:
            return True
        try:
            self._broker.refresh()
        except (Unavailable, OSError, psycopg.Error) as error:
            self._say(f"the broker's users could not be renewed: {error}")
            return False
        return True

    def _renew_certificate(self, broker: BrokerService) -> None:
        """Pages look for themselves; the broker is told."""
        try:
            broker.server.renew_certificate()
        except (Unavailable, OSError) as error:
            self._say(f"the broker could not take over the certificate: {error}")

    def _greet_when_answered(self) -> None:
        address, port = self.settings.http_address, self._installation.http_port
        assert port is not None
        host = "127.0.0.1" if address in ANY_ADDRESS else address
        secure = tls.wanted(self.settings, address)
        if answers(host, port, secure=secure):
            self._greeted = True
            name = in_url(tls.best_name(self.settings, address)) if secure else in_url(host)
            self.kind.greet(f"{'https' if secure else 'http'}://{name}:{port}", self._installation)
        elif time.monotonic() - self._began > FIRST_ANSWER_S:
            raise Unavailable(
                f"The pages did not answer within {FIRST_ANSWER_S:.0f} s: "
                f"see {self.data_dir / 'log' / 'serve.log'}."
            )

    def _end(self) -> None:
        """Five seconds at most: workers first, then both services at once."""
        self.supervisor.end_workers()
        if self._broker is not None and self._broker.process is not None:
            with suppress(ProcessLookupError):
                self._broker.process.send_signal(signal.SIGTERM)
        if self._database is not None:
            # An immediate shutdown loses nothing: the next start recovers from the log.
            self._database.server.stop(patience_s=1.2)
        if self._broker is not None:
            self._broker.server.stop(patience_s=0.5)
        self._ports.release()


def workers(rooms: Iterable[str], settings: Settings) -> list[tuple[str, str]]:
    """Names of the processes and the room of each: ``ingest``, ``ingest-2`` …"""
    counts = {"ingest": settings.ingest_processes, "analyse": settings.analyse_processes}
    return [
        (room if number == 1 else f"{room}-{number}", room)
        for room in rooms
        for number in range(1, counts.get(room, 1) + 1)
    ]


def in_url(host: str) -> str:
    """A host as URLs write it."""
    return f"[{host}]" if ":" in host else host


def answers(host: str, port: int, *, secure: bool = False) -> bool:
    """Whether the pages are served; whose certificate it is does not matter to that."""
    connection = http.client.HTTPConnection(host, port, timeout=1.0)
    if secure:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        connection = http.client.HTTPSConnection(host, port, timeout=1.0, context=context)
    try:
        connection.request("GET", "/healthz")
        return connection.getresponse().status == 200
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


def run_alone(room: str, wiring: Wiring) -> None:
    """Run one room in this process until Ctrl-C or SIGTERM: for production."""
    stop = threading.Event()
    stop_on_signals(stop)
    load(room)
    run(room, wiring, stop)


def stop_on_signals(stop: threading.Event) -> None:
    """Set the event on Ctrl-C and SIGTERM."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
