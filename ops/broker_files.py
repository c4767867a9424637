"""``holdfast broker-files``: what a Mosquitto must know, kept in files that it reads.

Passwords and topic rights of the gateways come from the database within a second of a change, the certificate
from the company or from our own making. Each file is replaced whole; then ``reload`` changes, and whoever
runs the broker (``deploy/broker.sh``) sends it SIGHUP. Mosquitto then checks everybody who is connected
again, so that a gateway whose password was revoked or rotated loses its connection at once.
"""

from __future__ import annotations

import logging
import os
import secrets
import socket
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import psycopg

from model import access
from model.equipment import is_ours
from ops.embedded.postgres import private_folder, write_private
from ops.embedded.users import SERVICE_TOPICS
from ops.tls import Keeper
from store import beats, broker_secrets
from store.database import Connection, connect
from store.equipment import GatewayLogin, gateway_logins

log = logging.getLogger(__name__)

PROCESS = "broker-files"
BEAT_S = 2.0
GLANCE_S = 0.2
AGAIN_S = 30.0
"""The gateways are read anew this often even if nobody says that they changed."""
RECONNECT_S = 1.0

PASSWORDS, ACCESS, CERTIFICATE, TRUST, RELOAD = "passwords", "access", "server.pem", "ca.pem", "reload"


@dataclass(frozen=True, slots=True)
class BrokerFilesConfig:
    """Settings of the process.

    Parameters
    ----------
    dsn : str
        The database.
    folder : Path
        Where the files go; the broker and we run as the same user.
    username, password : str
        How our own processes log in at the broker.
    """

    dsn: str
    folder: Path
    username: str
    password: str


def run(config: BrokerFilesConfig, keeper: Keeper | None, stop: threading.Event) -> None:
    """Keep the files up to date until ``stop`` is set; a lost database is outlasted."""
    private_folder(config.folder)
    files = Files(config)
    if keeper is not None:
        keeper.begin()
        files.take_certificate(keeper)
    while not stop.is_set():
        try:
            _work(config, files, keeper, stop)
        except psycopg.Error as error:
            log.warning("the database does not answer: %s", str(error).strip().splitlines()[:1])
            stop.wait(RECONNECT_S)


def _work(
    config: BrokerFilesConfig, files: Files, keeper: Keeper | None, stop: threading.Event
) -> None:  # fmt: skip
    instance = f"{socket.gethostname()}:{os.getpid()}"
    with connect(config.dsn, application=PROCESS, autocommit=True, statement_timeout_s=10) as conn:
        # First listen, then read: what changes in between is told.
        conn.execute("LISTEN equipment")
        next_read = next_beat = 0.0
        while not stop.is_set():
            now = time.monotonic()
            if now >= next_read:
                files.take_gateways(gateway_logins(conn))
                next_read = now + AGAIN_S
            if keeper is not None and keeper.look():
                files.take_certificate(keeper)
            if now >= next_beat:
                beats.beat(conn, PROCESS, instance, {"gateways": files.gateways, "waiting": files.unhashed})
                next_beat = now + BEAT_S
            if _told(conn):
                next_read = 0.0
        beats.forget(conn, PROCESS, instance)


def _told(conn: Connection) -> bool:
    """Wait a moment for the word that equipment changed."""
    return bool(list(conn.notifies(timeout=GLANCE_S, stop_after=1)))


class Files:
    """The files as they are; each is written only if it changes."""

    def __init__(self, config: BrokerFilesConfig) -> None:
        self._folder = config.folder
        self._service = config.username
        self._service_line = f"{config.username}:{broker_secrets.mosquitto_hash(config.password)}"
        self.gateways = 0
        self.unhashed: list[str] = []
        """Gateways whose password is not known as Mosquitto reads it."""

    def take_gateways(self, logins: Sequence[GatewayLogin]) -> None:
        """Write passwords and rights of these gateways, and of nobody else."""
        # Mosquitto would give a gateway of our own name all our rights.
        logins = [login for login in logins if login.name != self._service and not is_ours(login.name)]
        known = [login for login in logins if login.secret_mosquitto]
        unhashed = [login.name for login in logins if not login.secret_mosquitto]
        if unhashed and unhashed != self.unhashed:
            log.warning(
                "rotate the passwords of %s: Mosquitto cannot check the old ones", ", ".join(unhashed)
            )
        self.gateways, self.unhashed = len(known), unhashed
        passwords = [self._service_line, *(f"{login.name}:{login.secret_mosquitto}" for login in known)]
        rights = [access.mosquitto_access(self._service, SERVICE_TOPICS, SERVICE_TOPICS)]
        for login in known:
            name = login.name
            rights.append(access.mosquitto_access(name, access.may_publish(name), access.may_read(name)))
        # Rights first: nobody is let in whose rights are not there yet.
        changed = self._write(ACCESS, "\n\n".join(rights) + "\n")
        changed |= self._write(PASSWORDS, "\n".join(passwords) + "\n")
        if changed:
            log.info("%d gateways may connect", self.gateways)
            self._reload()

    def take_certificate(self, keeper: Keeper) -> None:
        """Copy certificate and key, in one file so that they always belong together."""
        pair = keeper.pair
        files = [pair.certificate] if pair.key == pair.certificate else [pair.certificate, pair.key]
        changed = self._write(CERTIFICATE, "\n".join(file.read_text(encoding="ascii") for file in files))
        if keeper.trust is not None:
            changed |= self._write(TRUST, keeper.trust.read_text(encoding="ascii"))
        if changed:
            self._reload()

    def _write(self, name: str, text: str) -> bool:
        file = self._folder / name
        if file.exists() and file.read_text(encoding="utf-8") == text:
            return False
        write_private(file, text)
        return True

    def _reload(self) -> None:
        write_private(self._folder / RELOAD, secrets.token_hex(8) + "\n")
