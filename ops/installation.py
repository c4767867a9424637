"""A data folder: its lock, what it is, and what must be the same at the next start."""

from __future__ import annotations

import base64
import dataclasses
import fcntl
import json
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from model.errors import BadInput, Conflict
from ops.embedded.postgres import private_folder, write_private

SERVICE_USER = "holdfast"
"""Login of our own processes at the embedded broker."""


@dataclass(frozen=True, slots=True)
class Login:
    """A first login, shown to whoever started the installation."""

    login: str
    password: str


@dataclass(frozen=True, slots=True)
class Installation:
    """What a data folder remembers, in a file of mode 0600.

    Parameters
    ----------
    kind : str
        ``"demo"`` or ``"up"``.
    broker_password : str
        Of `SERVICE_USER`.
    seal_key : str
        Under which addresses that hold secrets are kept in the database (`store.seal`).
    opened : bool
        Whether gateways were let in before: at the first start they must wait until the ingest has
        subscribed, since a broker forgets what nobody subscribes to.
    http_port, mqtt_port : int or None
        Taken at the last start, and again if they are free.
    gateways_url : str
        Where gateways find the embedded broker, as it was at the last start; empty: not embedded.
    trust : str
        File of the authority that signed our certificate, for those who connect; empty: none of our making.
    replay : str or None
        The demo's clock.
    login : Login or None
        The demo's first login, shown at every start; elsewhere it is shown once and kept nowhere.
    gateways : dict
        The demo's gateways and their broker passwords.
    technician : Login or None
        The demo's technician, who asks for a valve to be closed as a person would.
    record_key : str
        Signs records of evacuations where the settings name no key: 32 random bytes in base64.
    """

    kind: str
    broker_password: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    seal_key: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    opened: bool = False
    http_port: int | None = None
    mqtt_port: int | None = None
    gateways_url: str = ""
    trust: str = ""
    replay: str | None = None
    login: Login | None = None
    gateways: dict[str, str] = field(default_factory=dict)
    technician: Login | None = None
    record_key: str = field(default_factory=lambda: base64.b64encode(secrets.token_bytes(32)).decode())

    def with_(self, **changes: object) -> Installation:
        """A copy with changes."""
        return dataclasses.replace(self, **changes)  # type: ignore[arg-type]


def file_of(data_dir: Path) -> Path:
    """Where an installation is remembered."""
    return data_dir / "installation.json"


def read(data_dir: Path) -> Installation | None:
    """What the folder remembers, None if nothing was started there yet."""
    file = file_of(data_dir)
    if not file.exists():
        return None
    try:
        raw = json.loads(file.read_text(encoding="utf-8"))
        logins = {name: Login(**raw[name]) for name in ("login", "technician") if raw.get(name)}
        return Installation(**{**raw, **logins})
    except (ValueError, TypeError, KeyError) as error:
        raise BadInput(f"{file} is damaged: {error}.") from error


def write(data_dir: Path, installation: Installation) -> None:
    """Remember."""
    write_private(file_of(data_dir), json.dumps(dataclasses.asdict(installation), indent=1) + "\n")


def open_installation(data_dir: Path, kind: str) -> Installation:
    """The folder's installation, made if it is new; raises `Conflict` if it is of another kind."""
    found = read(data_dir)
    if found is None:
        found = Installation(kind)
        write(data_dir, found)
    if found.kind != kind:
        names = {"demo": "the invented fleet of a demo", "up": "a real installation"}
        raise Conflict(
            f"{data_dir} holds {names.get(found.kind, found.kind)}: set HOLDFAST_DATA_DIR to another folder."
        )
    return found


@contextmanager
def locked(data_dir: Path) -> Iterator[None]:
    """Hold the folder as the only process; raises `Conflict` if another has it."""
    try:
        if not data_dir.exists():
            private_folder(data_dir)
            # Where root must drop to another user, that user has to get through; what is inside is closed.
            data_dir.chmod(0o711 if os.geteuid() == 0 else 0o700)
        os.umask(0o077)
        (data_dir / "log").mkdir(mode=0o700, exist_ok=True)
        lock = (data_dir / "lock").open("a+", encoding="ascii")
    except OSError as error:
        raise BadInput(f"{data_dir} cannot be used: {error.strerror}.") from error
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            lock.seek(0)
            raise Conflict(
                f"Process {lock.read().strip() or '?'} runs in {data_dir} already: stop it, or set "
                "HOLDFAST_DATA_DIR to another folder."
            ) from error
        lock.truncate(0)
        lock.write(str(os.getpid()))
        lock.flush()
        yield
