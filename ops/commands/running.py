"""``demo``, ``up``, the single processes, ``migrate`` and ``check``."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated

import typer

from model.errors import BadInput
from ops.commands.common import Json, clock, seal_key
from ops.output import show_one
from ops.settings import Settings, load

if TYPE_CHECKING:
    from ops.rooms import Wiring


def register(app: typer.Typer) -> None:
    """Add the commands to the main one."""
    for command in (demo, up, migrate, check):
        app.command()(command)
    app.command("broker-files")(broker_files)
    for room, help_text in ROOMS.items():
        app.command(room, help=help_text)(_alone(room))


ROOMS = {
    "ingest": "Take readings from the broker into the database.",
    "analyse": "Judge evacuations and hold tests.",
    "desk": "Turn events into alerts and notifications.",
    "serve": "Serve pages and API.",
}


def demo() -> None:
    """Run everything on this machine, with an invented fleet: last night runs past, then goes on."""
    from ops.demo import demo as run

    run(load())


def up() -> None:
    """Run everything on this machine, for real gateways."""
    from ops.up import up as run

    run(load())


def migrate(json: Json = False) -> None:
    """Bring the database's schema up to date."""
    from ops import logs
    from ops.services import database_url
    from store.database import connect_or_say
    from store.migrate import migrate as run

    logs.begin(quiet=True)
    url = database_url(load())
    connect_or_say(url, application="migrate").close()
    revision = run(url)
    show_one({"revision": revision}, as_json=json)


def broker_files() -> None:
    """Keep the files of a Mosquitto: passwords and rights of the gateways, and its certificate."""
    import threading

    from ingest.config import BrokerConfig
    from model.clock import SystemClock
    from ops import tls
    from ops.broker_files import BrokerFilesConfig, run
    from ops.rooms import log_to_stderr
    from ops.services import broker_url, database_url
    from ops.stack import stop_on_signals

    settings = load()
    broker = BrokerConfig.from_url(broker_url(settings) or "mqtt://broker")
    if not (broker.username and broker.password):
        raise BadInput("Set HOLDFAST_MQTT_URL and HOLDFAST_MQTT_PASSWORD to the login of our own processes.")
    log_to_stderr()
    folder = settings.access_dir.absolute()
    config = BrokerFilesConfig(database_url(settings), folder, broker.username, broker.password)
    keeper = None
    if settings.tls != "off":
        keeper = tls.Keeper(settings, settings.data_dir.absolute() / "tls", SystemClock(), say)
    stop = threading.Event()
    stop_on_signals(stop)
    run(config, keeper, stop)


def check(
    part: Annotated[str, typer.Argument(help="One of ingest, analyse, desk, serve, broker-files.")],
) -> None:
    """Say whether a part on this machine is well; ends with status 2 if not."""
    from ops.health import check as run

    print(run(part, load()))


def _alone(room: str) -> Callable[[], None]:
    def command() -> None:
        from ops.stack import run_alone

        run_alone(room, _wiring(room, load()))

    return command


def _wiring(room: str, settings: Settings) -> Wiring:
    """What one process alone needs of the settings."""
    from ops.installation import read
    from ops.rooms import Wiring, mail_of
    from ops.services import Ports, broker_url, database_url, mqtt_url
    from ops.stack import USUAL_HTTP_PORT

    clock(settings)
    address, port, certificate, key = settings.http_address, 0, "", ""
    if room == "serve":
        certificate, key = _certificate(settings)
        usual = USUAL_HTTP_PORT[bool(certificate)]
        port = Ports().choose(settings.http_port, None, usual, address, "the pages")
    broker, installation = broker_url(settings) or "", read(settings.data_dir)
    if room == "ingest":
        broker = mqtt_url(settings, installation)
    return Wiring(
        database_url=database_url(settings),
        mqtt_url=broker,
        shared=settings.ingest_processes > 1,
        http_address=address,
        http_port=port,
        certificate=certificate,
        key=key,
        gateways_url=settings.gateways_url or "",
        metrics_token=settings.metrics_token or "",
        webhook_url=settings.webhook_url or "",
        record_key=settings.record_key or (installation.record_key if installation else ""),
        public_url=settings.public_url or "",
        seal_key=seal_key(settings),
        mail=mail_of(settings),
        keep_days=settings.keep_days,
        columnstore_days=settings.columnstore_days,
        replay=settings.replay,
    )


def _certificate(settings: Settings) -> tuple[str, str]:
    """Files of the certificate that pages show alone; one is made only where something keeps it good."""
    from model.clock import SystemClock
    from ops import tls

    address = settings.http_address
    if not tls.wanted(settings, address):
        if not tls.is_loopback(address):
            say(tls.PLAIN_WARNING.format(what="Pages"))
        return "", ""
    if settings.tls_cert is None:
        raise BadInput(
            f"Pages on {address} need HOLDFAST_TLS_CERT and HOLDFAST_TLS_KEY, or HOLDFAST_TLS=off behind "
            "something that encrypts."
        )
    keeper = tls.Keeper(settings, settings.data_dir / "tls", SystemClock(), say)
    keeper.begin()
    return str(keeper.pair.certificate), str(keeper.pair.key)


def say(line: str) -> None:
    """Tell whoever reads the log."""
    print(line, file=sys.stderr, flush=True)
