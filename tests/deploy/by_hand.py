"""The services of docker-compose.yml without an engine: the same commands with the same settings, one by one.

What a container would be given is put where this machine has it: addresses, folders of volumes and secrets.
"""

from __future__ import annotations

import base64
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import yaml
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from ops.embedded import process
from tests.fix_broker import debian_program
from tests.waiting import wait_until

TOP = Path(__file__).parents[2]
DEPLOY = TOP / "deploy"
SERVICES: dict[str, dict[str, Any]] = yaml.safe_load((TOP / "docker-compose.yml").read_text())["services"]


class ByHand:
    """All services of the compose file, as processes of this machine."""

    def __init__(self, folder: Path, database: str, **dotenv: str) -> None:
        self.folder = folder
        self.dotenv = dotenv
        self.plain_port, self.tls_port, self.pages_port = (process.free_port() for _ in range(3))
        self.processes: dict[str, subprocess.Popen[bytes]] = {}
        self._database = conninfo_to_dict(database)
        for name in ("access", "data", "store", "secrets", "log"):
            (folder / name).mkdir(mode=0o700)
        secret("database-password", str(self._database.pop("password", "")) or "none", folder)
        secret("broker-password", "of-our-own-processes", folder)
        secret("metrics-token", "for-the-scraper", folder)
        secret("seal-key", "s" * 48, folder)
        secret("record-key", base64.b64encode(bytes(32)).decode(), folder)

    @property
    def access(self) -> Path:
        return self.folder / "access"

    def environment(self, service: str) -> dict[str, str]:
        """What the compose file sets, in terms of this machine."""
        clean = {k: v for k, v in os.environ.items() if not k.startswith("HOLDFAST_")}
        ours = {
            # From the Dockerfile.
            "HOLDFAST_DATA_DIR": "/data",
            "HOLDFAST_ACCESS_DIR": "/access",
            **SERVICES[service]["environment"],
            **{name: self.dotenv.get(name, "") for name in ("HOLDFAST_TLS_NAMES",)},
        }
        return clean | {name: self._here(str(text)) for name, text in ours.items()}

    def _here(self, text: str) -> str:
        if text == "postgresql://holdfast@database/holdfast":
            return make_conninfo(**self._database)  # type: ignore[arg-type]
        if text.startswith("${"):
            return ""
        for there, here in (
            ("/run/secrets/", f"{self.folder}/secrets/"),
            ("/access", str(self.access)),
            ("/data", str(self.folder / "data")),
        ):
            if text.startswith(there):
                return here + text.removeprefix(there)
        text = text.replace("broker:1883", f"127.0.0.1:{self.plain_port}").replace("0.0.0.0", "127.0.0.1")
        return str(self.pages_port) if text == "8443" else text

    def run(self, service: str, *command: str) -> subprocess.CompletedProcess[str]:
        """A command in the place of a service, as ``docker compose exec SERVICE holdfast …`` runs it."""
        return subprocess.run(
            [sys.executable, "-m", "ops.cli", *command],
            env=self.environment(service), cwd=self.folder, capture_output=True, text=True, check=False,
        )  # fmt: skip

    def start(self, service: str) -> None:
        """Start a service and wait until its own health check is content."""
        command = [sys.executable, "-m", "ops.cli", *SERVICES[service]["command"]]
        if service == "broker":
            self._configure_broker()
            files = (DEPLOY / "broker.sh", self.folder / "mosquitto.conf", self.access / "reload")
            command = ["sh", *map(str, files)]
        with (self.folder / "log" / service).open("ab") as log:
            environment = self.broker_environment() if service == "broker" else self.environment(service)
            self.processes[service] = subprocess.Popen(
                command, env=environment, cwd=self.folder, stdout=log, stderr=log, start_new_session=True
            )
        wait_until(lambda: self.well(service), 60, f"{service} to be well:\n{self.log(service)}")

    def broker_environment(self) -> dict[str, str]:
        program = Path(debian_program("mosquitto"))
        return {**os.environ, "PATH": f"{os.environ['PATH']}:{program.parent}"}

    def well(self, service: str) -> bool:
        """What the health check says."""
        assert self.processes[service].poll() is None, self.log(service)
        if service == "broker":
            return all(_listens(port) for port in (self.plain_port, self.tls_port))
        (health,) = {tuple(SERVICES[service]["healthcheck"]["test"])}
        assert health[:2] == ("CMD", "holdfast")
        return self.run(service, *health[2:]).returncode == 0

    def log(self, service: str) -> str:
        return (self.folder / "log" / service).read_text()

    def _configure_broker(self) -> None:
        text = (DEPLOY / "mosquitto.conf").read_text()
        for there, here in (
            ("/access/", f"{self.access}/"),
            ("/mosquitto/data/", f"{self.folder}/store/"),
            ("listener 8883", f"listener {self.tls_port} 127.0.0.1"),
            ("listener 1883", f"listener {self.plain_port} 127.0.0.1"),
        ):
            assert there in text
            text = text.replace(there, here)
        if os.geteuid() == 0:
            # In the container it is not root from the beginning.
            text += "user root\n"
        (self.folder / "mosquitto.conf").write_text(text)

    def kill(self, service: str) -> None:
        """End a service and everything below it without a word, as a power failure does."""
        child = self.processes.pop(service)
        os.killpg(child.pid, signal.SIGKILL)
        child.wait()
        if service == "broker":
            wait_until(lambda: not _listens(self.plain_port), what="the port to be free")

    def stop(self) -> None:
        for child in reversed(self.processes.values()):
            process.end(child, (signal.SIGTERM, 10.0))
        shutil.rmtree(self.folder / "store", ignore_errors=True)


def secret(name: str, text: str, folder: Path) -> None:
    """A file as deploy/prepare.sh makes it."""
    file = folder / "secrets" / name
    file.write_text(text)
    file.chmod(0o400)


def _listens(port: int) -> bool:
    return process.free_port(port) != port
