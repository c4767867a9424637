"""``demo``, ``up``, the single processes, ``migrate`` and ``diagnose``."""

from __future__ import annotations

import sys
from collections.abc import Callable
from json import dumps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from model.errors import BadInput
from ops.commands.common import FAILED, Json, clock
from ops.output import show_one
from ops.settings import Settings, load

if TYPE_CHECKING:
    from ops.rooms import Wiring


def register(app: typer.Typer) -> None:
    """Add the commands to the main one."""
    for command in (demo, up, migrate, check, diagnose):
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


def diagnose(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", show_default=False)],
    unit: Annotated[str | None, typer.Option(help="Of the pressures in the files.")] = None,
    volume: Annotated[str | None, typer.Option(help="Of the isolated circuit: '12 L'.")] = None,
    target: Annotated[str | None, typer.Option(help="To be held before: '500 micron'.")] = None,
    limit: Annotated[str | None, typer.Option(help="Permitted pressure: '2500 micron'.")] = None,
    rise: Annotated[str | None, typer.Option(help="Permitted rise above the start.")] = None,
    hold: Annotated[str | None, typer.Option(help="Length of the hold: '30 min'.")] = None,
    isolated_at: Annotated[str | None, typer.Option(help="When the valve closed.")] = None,
    whole_file_is_hold: Annotated[
        bool, typer.Option("--whole-file-is-hold", help="It was closed all through.")
    ] = False,
    show_unit: Annotated[str | None, typer.Option(help="Say pressures in it, such as hPa.")] = None,
    json: Json = False,
) -> None:
    """Judge logs of a vacuum gauge: CSV with the columns time and pressure."""
    from analytics.core.describe import describe
    from analytics.core.diagnose import diagnose_file, options_from_text
    from model.errors import HoldfastError

    options = options_from_text(
        unit=unit,
        volume=volume,
        target=target,
        limit=limit,
        rise=rise,
        hold=hold,
        isolated_at=isolated_at,
        whole_file_is_hold=whole_file_is_hold,
    )
    say = _said_in(show_unit)
    status = 0
    for file in files:
        try:
            result = diagnose_file(file, options)
        except HoldfastError as error:
            status = FAILED
            sentence = str(error) if file.name in str(error) else f"{file}: {error}"
            print(sentence, file=sys.stderr, flush=True)
            if json:
                failure = {"file": str(file), "error": str(error)}
                print(dumps(failure, ensure_ascii=False), flush=True)
        else:
            print(dumps(result, ensure_ascii=False) if json else say(describe(result)), flush=True)
    raise typer.Exit(status)


def _said_in(unit: str | None) -> Callable[[str], str]:
    """Puts the figures of sentences into a unit; None leaves them in micron and Pa."""
    if unit is None:
        return str
    from api.figures import Figures
    from api.sentences import tell
    from model.errors import BadInput
    from physics.units import pressure_unit

    try:
        figures = Figures().in_unit(pressure_unit(unit))
    except ValueError as error:
        raise BadInput(f"--show-unit: {error}.", field="--show-unit") from error
    return lambda text: tell(text, figures)


def _alone(room: str) -> Callable[[], None]:
    def command() -> None:
        from ops.stack import run_alone

        run_alone(room, _wiring(room, load()))

    return command


def _wiring(room: str, settings: Settings) -> Wiring:
    """What one process alone needs of the settings."""
    from ops.installation import read
    from ops.rooms import Wiring
    from ops.services import Ports, broker_url, database_url, mqtt_url
    from ops.stack import USUAL_HTTP_PORT

    clock(settings)
    address, port, certificate, key = settings.http_address, 0, "", ""
    if room == "serve":
        certificate, key = _certificate(settings)
        usual = USUAL_HTTP_PORT[bool(certificate)]
        port = Ports().choose(settings.http_port, None, usual, address, "the pages")
    broker = broker_url(settings) or ""
    if room == "ingest":
        broker = mqtt_url(settings, read(settings.data_dir))
    return Wiring(
        database_url=database_url(settings),
        mqtt_url=broker,
        http_address=address,
        http_port=port,
        certificate=certificate,
        key=key,
        gateways_url=settings.gateways_url or "",
        metrics_token=settings.metrics_token or "",
        webhook_url=settings.webhook_url or "",
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
