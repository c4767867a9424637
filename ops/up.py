"""``holdfast up``: embedded services for real gateways."""

from __future__ import annotations

from model.clock import SystemClock, to_datetime
from ops.installation import Installation
from ops.settings import Settings
from ops.stack import Kind, Stack

FIRST_LOGIN = "admin"


def up(settings: Settings) -> None:
    """Run an installation until Ctrl-C or SIGTERM."""
    password: list[str] = []

    def prepare(settings: Settings, dsn: str, installation: Installation) -> Installation:
        password.extend(first_administrator(dsn))
        return installation

    def greet(address: str, installation: Installation) -> None:
        print(f"Pages    {address}")
        if installation.mqtt_port is not None:
            print(f"Gateways mqtt://{settings.mqtt_address}:{installation.mqtt_port}")
        for word in password:
            print(f"Login    {FIRST_LOGIN}\nPassword {word}   (shown this once)")
        if settings.mqtt_url is None and settings.mqtt_address == "127.0.0.1":
            print("Only this machine reaches the broker; HOLDFAST_MQTT_ADDRESS=0.0.0.0 opens it.")
        print("Ctrl-C stops.", flush=True)

    kind = Kind(
        name="up",
        rooms=("ingest", "analyse", "desk", "serve"),
        prepare=prepare,
        greet=greet,
        accompany=lambda installation: None,
    )
    Stack(settings, kind, lambda line: print(line, flush=True)).run()


def first_administrator(dsn: str) -> list[str]:
    """The password of the first administrator, made if there is nobody yet; else nothing."""
    from store import people
    from store.database import connect

    with connect(dsn, application="ops") as connection:
        if people.everybody(connection):
            return []
        now = to_datetime(SystemClock().now_us())
        _, password = people.add(connection, FIRST_LOGIN, "Administrator", "administrator", now)
    return [password]
