"""``holdfast up``: embedded services for real gateways."""

from __future__ import annotations

import sys
from pathlib import Path

from model.clock import SystemClock, to_datetime
from ops import tls
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

    kind = Kind(
        name="up",
        rooms=("ingest", "analyse", "desk", "serve"),
        prepare=prepare,
        greet=lambda address, installation: print(
            "\n".join(greeting(settings, address, installation, password)), flush=True
        ),
        accompany=lambda installation: None,
    )
    Stack(settings, kind, lambda line: print(line, flush=True)).run()


def greeting(
    settings: Settings, address: str, installation: Installation, password: list[str]
) -> list[str]:  # fmt: skip
    """What whoever started it must know: where it is, how to get in, and what to do next."""
    lines = [f"Pages    {address}"]
    if installation.gateways_url:
        lines.append(f"Gateways {installation.gateways_url}")
    for word in password:
        lines += [f"Login    {FIRST_LOGIN}", f"Password {word}   (shown this once)"]
    if installation.trust:
        from ops.certificates import fingerprint

        lines += [
            f"Trust    {installation.trust}",
            "         The authority of this installation: give this file to gateways and browsers. SHA-256:",
            f"         {fingerprint(Path(installation.trust))}",
        ]
    lines += warnings(settings, installation)
    if password and installation.gateways_url:
        lines += ["", "To register the first gateway, in another terminal with the same settings:"]
        lines += [f"  {line}" for line in first_gateway(installation)] + [""]
    return [*lines, "Ctrl-C stops."]


def warnings(settings: Settings, installation: Installation) -> list[str]:
    """Who can reach what, where that may surprise."""
    found = []
    for what, address in (("Pages", settings.http_address), ("Gateways", settings.mqtt_address)):
        embedded = what == "Pages" or bool(installation.gateways_url)
        if embedded and not tls.is_loopback(address) and not tls.wanted(settings, address):
            found.append("WARNING: " + tls.PLAIN_WARNING.format(what=what))
    if installation.gateways_url and tls.is_loopback(settings.mqtt_address):
        found.append(
            "Only this machine reaches the broker; HOLDFAST_MQTT_ADDRESS=0.0.0.0 opens it, with TLS."
        )
    return found


def first_gateway(installation: Installation) -> list[str]:
    """Commands from nothing to a first reading; what `gateway add` prints goes for PASSWORD."""
    from urllib.parse import urlsplit

    program = sys.argv[0] if sys.argv[0].endswith("holdfast") else "holdfast"
    parts = urlsplit(installation.gateways_url)
    trust = f" --cafile {installation.trust}" if installation.trust and parts.scheme == "mqtts" else ""
    if parts.scheme == "mqtts" and not trust:
        trust = " --tls-use-os-certs"
    return [
        f'{program} site add "Trial bench" --time-zone Europe/Berlin',
        f'{program} gateway add trial-gw --site "Trial bench"',
        f"{program} instrument add trial-gw/gauge-1 --role gauge --interval 10",
        f"mosquitto_pub -h {parts.hostname} -p {parts.port}{trust} -u trial-gw -P PASSWORD -q 1 \\",
        '  -t hf/1/trial-gw/gauge-1/data -m \'[{"n":"pressure","u":"Pa","v":420.5}]\'',
    ]


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
