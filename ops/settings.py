"""Settings: from the environment (``HOLDFAST_…``), or from a file of the same lines.

The file is the one that ``HOLDFAST_SETTINGS`` names, else ``holdfast.env`` in the current folder if
there is one; the environment wins. What may hold a secret can be given as a file of its own, by the same name
with ``_FILE``. A setting that nobody knows is refused: misspelt, it would be without effect and nobody
would be told. ``docs/reference/settings.md`` lists them all.
"""

from __future__ import annotations

import difflib
import os
import stat
from collections.abc import Mapping
from email.utils import parseaddr
from pathlib import Path
from typing import Literal

from dotenv import dotenv_values
from pydantic import Field, ValidationError
from pydantic_settings import BaseSettings, SettingsConfigDict

from model.errors import BadInput
from model.meeting import Meeting
from store.seal import SHORTEST_KEY

PREFIX = "HOLDFAST_"
FILE = "HOLDFAST_SETTINGS"
DEFAULT_FILE = "holdfast.env"
SECRETS = (
    "database_url",
    "database_password",
    "mqtt_url",
    "mqtt_password",
    "metrics_token",
    "webhook_url",
    "seal_key",
    "record_key",
    "mail_password",
)
"""What a file may hold instead: ``HOLDFAST_DATABASE_URL_FILE`` and so on."""

OF_TESTS = ("HOLDFAST_TEST_", "HOLDFAST_NO_SKIPS")
"""Of our own tests; whoever runs them may start us."""

LARGEST_SECRET = 65_536


class Settings(BaseSettings):
    """What can be set; each field is an environment variable with the prefix ``HOLDFAST_``."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX, env_ignore_empty=True, extra="ignore", frozen=True, hide_input_in_errors=True
    )

    data_dir: Path = Field(default=Path("data"), description="where everything that is kept lives")
    database_url: str | None = Field(default=None, description="PostgreSQL; unset: the embedded one")
    database_password: str | None = Field(default=None, description="put into the URL")
    mqtt_url: str | None = Field(
        default=None, description="`mqtt://user@host:1883`, `mqtts://` for TLS; unset: the embedded broker"
    )
    mqtt_password: str | None = Field(default=None, description="put into the URL")
    mqtt_ca: Path | None = Field(
        default=None, description="certificate authorities for `mqtts://`; unset: the system's"
    )
    http_address: str = Field(default="127.0.0.1", description="where pages and API listen")
    http_port: int | None = Field(
        default=None, ge=1, le=65_535, description="unset: 8080, with TLS 8443, or a free one"
    )
    mqtt_address: str = Field(default="127.0.0.1", description="where the embedded broker listens")
    mqtt_port: int | None = Field(
        default=None, ge=1, le=65_535, description="unset: 1883, with TLS 8883, or a free one"
    )
    gateways_url: str | None = Field(
        default=None,
        description="where gateways find the broker, as in `mqtts://host:8883`, shown to who registers one; "
        "unset: worked out",
    )
    tls: Literal["auto", "on", "off"] = Field(
        default="auto", description="`auto`: on where others than this machine can reach us; `on`; `off`"
    )
    tls_cert: Path | None = Field(
        default=None, description="certificate (PEM, with its chain) of yours; unset: one is made"
    )
    tls_key: Path | None = Field(default=None, description="its key (PEM, without a passphrase)")
    tls_names: str | None = Field(
        default=None, description="names and addresses in the made certificate, separated by commas"
    )
    metrics_token: str | None = Field(default=None, description="opens `/metrics` without a login")
    webhook_url: str | None = Field(default=None, description="where alerts are posted")
    public_url: str | None = Field(
        default=None,
        description="where people find the pages, as in `https://holdfast.example.org`, for links in "
        "messages; unset: worked out on one machine, else no links",
    )
    seal_key: str | None = Field(
        default=None,
        description="32 random characters or more, under which addresses that hold secrets are kept; the "
        "same for `desk` and `serve`; unset: made on one machine, else no such address can be kept",
    )
    mail_host: str | None = Field(default=None, description="mail server; unset: no mail goes out")
    mail_port: int | None = Field(
        default=None, ge=1, le=65_535, description="unset: 587, with `tls` 465, with `off` 25"
    )
    mail_tls: Literal["starttls", "tls", "off"] = Field(
        default="starttls",
        description="`tls`: from the first byte; `off`: in clear, for a server on this machine",
    )
    mail_ca: Path | None = Field(
        default=None, description="certificate authorities of the mail server; unset: the system's"
    )
    mail_from: str | None = Field(
        default=None, description="sender, as in `Holdfast <holdfast@example.org>`; needed with a mail server"
    )
    mail_user: str | None = Field(default=None, description="login at the mail server; unset: none")
    mail_password: str | None = Field(default=None, description="its password")
    record_key: str | None = Field(
        default=None,
        description="signs records of evacuations: 32 random bytes in base64; unset: one is made in the data "
        "folder",
    )
    access_dir: Path = Field(
        default=Path("access"), description="where `holdfast broker-files` writes for Mosquitto"
    )
    ingest_processes: int = Field(
        default=1,
        ge=1,
        le=64,
        description="how many `up` starts; above 1 each `ingest` takes a share, which needs Mosquitto",
    )
    analyse_processes: int = Field(default=1, ge=1, le=64, description="how many `up` and `demo` start")
    log: Literal["text", "json"] = Field(
        default="text", description="`json`: each process logs one object a line"
    )
    keep_days: int | None = Field(
        default=None,
        ge=30,
        le=36_500,
        description="readings that served no job are dropped so many days after they were taken; "
        "unset: never",
    )
    columnstore_days: int = Field(
        default=7,
        ge=2,
        le=36_500,
        description="TimescaleDB compresses readings so many days after their day, later if a procedure "
        "waits longer",
    )
    replay: str | None = Field(default=None, description="three numbers of a replay clock, for trials")
    seed: int = Field(default=1, description="of the demo's invented fleet")


KNOWN = {PREFIX + name.upper() for name in Settings.model_fields}
KNOWN_FILES = {f"{PREFIX}{name.upper()}_FILE": name for name in SECRETS}


def load() -> Settings:
    """Read the settings; raises `BadInput` with one sentence."""
    named = os.environ.get(FILE)
    if named and not Path(named).is_file():
        raise BadInput(f"There is no settings file {named} ({FILE}).")
    file = Path(named or DEFAULT_FILE)
    try:
        in_file = {name: text or "" for name, text in dotenv_values(file).items()}
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(f"The settings file {file} cannot be read: {error}.") from error
    refuse_unknown(in_file, f" in {file}")
    refuse_unknown(os.environ, "")
    try:
        settings = Settings(_env_file=file, **secrets_from_files(in_file))  # type: ignore[call-arg, arg-type]
    except ValidationError as error:
        first = error.errors()[0]
        name = PREFIX + "_".join(map(str, first["loc"][:1])).upper()
        raise BadInput(f"{name} cannot be used: {first['msg']}.") from error
    check(settings)
    return settings


def refuse_unknown(found: Mapping[str, str], where: str) -> None:
    """Raise `BadInput` for a setting that nobody knows, naming the one that was probably meant."""
    for name in sorted(found):
        known = name in KNOWN or name in KNOWN_FILES or name == FILE
        if known or not name.startswith(PREFIX) or name.startswith(OF_TESTS):
            continue
        # Without what all begin with, which would make all alike.
        there_are = [one.removeprefix(PREFIX) for one in (*KNOWN, *KNOWN_FILES)]
        near = difflib.get_close_matches(name.removeprefix(PREFIX), there_are, n=1, cutoff=0.7)
        hint = f"did you mean {PREFIX}{near[0]}?" if near else "docs/reference/settings.md lists them."
        raise BadInput(f"There is no setting {name}{where}: {hint}")


def secrets_from_files(in_file: Mapping[str, str]) -> dict[str, str]:
    """The secrets that files hold; raises `BadInput` with one sentence about a file that cannot be used."""
    found = {}
    for variable, name in KNOWN_FILES.items():
        for source in (os.environ, in_file):
            if path := source.get(variable):
                plain = PREFIX + name.upper()
                if source.get(plain):
                    raise BadInput(f"Set {plain} or {variable}, not both.")
                if source is in_file and os.environ.get(plain):
                    break
                found[name] = read_secret(Path(path), variable)
                break
    return found


def read_secret(path: Path, variable: str) -> str:
    """What a file of one secret holds, without the line's end.

    Raises
    ------
    BadInput
        If it cannot be read, is empty, or is open to everybody on the machine.
    """
    try:
        with path.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            raw = file.read(LARGEST_SECRET + 1)
        text = raw.decode().rstrip("\r\n")
    except OSError as error:
        raise BadInput(f"{variable}: {path} cannot be read: {error.strerror}.") from error
    except UnicodeDecodeError as error:
        raise BadInput(f"{variable}: {path} holds no text.") from error
    if mode & (stat.S_IROTH | stat.S_IWOTH):
        raise BadInput(f"{variable}: everybody on this machine may read {path}: chmod o-rwx it.")
    if not text.strip():
        raise BadInput(f"{variable}: {path} is empty.")
    if "\n" in text or "\0" in text or len(raw) > LARGEST_SECRET:
        raise BadInput(f"{variable}: {path} must hold one line.")
    return text


def check(settings: Settings) -> None:
    """Raise `BadInput` for settings that do not go together."""
    if settings.webhook_url and not settings.webhook_url.startswith(("http://", "https://")):
        raise BadInput("HOLDFAST_WEBHOOK_URL cannot be used: it must begin with http:// or https://.")
    check_telling(settings)
    for name, url in (("database", settings.database_url), ("mqtt", settings.mqtt_url)):
        if getattr(settings, f"{name}_password") and not url:
            raise BadInput(
                f"HOLDFAST_{name.upper()}_PASSWORD is of no use without HOLDFAST_{name.upper()}_URL."
            )
    if settings.mqtt_ca and not (settings.mqtt_url or "").startswith("mqtts://"):
        raise BadInput("HOLDFAST_MQTT_CA is of no use unless HOLDFAST_MQTT_URL begins with mqtts://.")
    if settings.ingest_processes > 1 and not (settings.mqtt_url or "").partition("?")[2].count("version=5"):
        raise BadInput(
            "HOLDFAST_INGEST_PROCESSES above 1 needs MQTT 5, which the embedded broker does not speak: set "
            "HOLDFAST_MQTT_URL to a Mosquitto's, with ?version=5."
        )
    if settings.gateways_url:
        try:
            Meeting.parse(settings.gateways_url)
        except BadInput as error:
            raise BadInput(f"HOLDFAST_GATEWAYS_URL cannot be used: {error}") from error
    if (settings.tls_cert is None) != (settings.tls_key is None):
        raise BadInput("HOLDFAST_TLS_CERT and HOLDFAST_TLS_KEY go together: set both or neither.")
    if settings.tls == "off" and settings.tls_cert:
        raise BadInput("HOLDFAST_TLS=off and HOLDFAST_TLS_CERT contradict each other.")
    for name, path in (
        ("MQTT_CA", settings.mqtt_ca),
        ("MAIL_CA", settings.mail_ca),
        ("TLS_CERT", settings.tls_cert),
        ("TLS_KEY", settings.tls_key),
    ):
        if path and not path.is_file():
            raise BadInput(f"HOLDFAST_{name}: there is no file {path}.")


def check_telling(settings: Settings) -> None:
    """Raise `BadInput` for settings of messages that do not go together."""
    if settings.public_url and not settings.public_url.startswith(("http://", "https://")):
        raise BadInput("HOLDFAST_PUBLIC_URL cannot be used: it must begin with http:// or https://.")
    if settings.seal_key and len(settings.seal_key) < SHORTEST_KEY:
        raise BadInput(f"HOLDFAST_SEAL_KEY is too short: {SHORTEST_KEY} random characters at least.")
    if settings.mail_host and not settings.mail_from:
        raise BadInput("HOLDFAST_MAIL_HOST needs HOLDFAST_MAIL_FROM, the sender's address.")
    if settings.mail_from and "@" not in parseaddr(settings.mail_from)[1]:
        raise BadInput("HOLDFAST_MAIL_FROM is no address of a sender.")
    if bool(settings.mail_user) != bool(settings.mail_password):
        raise BadInput("HOLDFAST_MAIL_USER and HOLDFAST_MAIL_PASSWORD go together: set both or neither.")
    if settings.mail_password and settings.mail_tls == "off":
        raise BadInput(
            "HOLDFAST_MAIL_PASSWORD would be sent in clear: set HOLDFAST_MAIL_TLS to starttls or tls."
        )
