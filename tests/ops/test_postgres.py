"""The embedded PostgreSQL: starts anywhere, survives being killed, leaves nothing behind."""

from __future__ import annotations

import os
import shutil
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from model.errors import Unavailable
from ops.embedded import postgres, process
from ops.embedded.postgres import EmbeddedPostgres
from tests.waiting import wait_until


@pytest.fixture
def server(tmp_path: Path) -> Iterator[EmbeddedPostgres]:
    parent = tmp_path / "closed parent"
    parent.mkdir(mode=0o700)
    server = EmbeddedPostgres(parent / "data dir", durable=False)
    yield server
    server.stop()


def rows(server: EmbeddedPostgres, statement: str) -> list[tuple[object, ...]]:
    with psycopg.connect(server.dsn, autocommit=True) as connection:
        cursor = connection.execute(statement.encode())
        return cursor.fetchall() if cursor.description else []


def test_it_works_in_a_path_with_spaces_below_a_closed_folder_that_stays_closed(
    server: EmbeddedPostgres,
) -> None:
    server.start()
    assert rows(server, "SELECT current_database()") == [("holdfast",)]
    for folder in (server.data_dir.parent, server.data_dir, server.cluster, server.runtime_dir):
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_text_sorts_and_folds_the_same_on_every_machine(server: EmbeddedPostgres) -> None:
    server.start()
    assert rows(server, "SHOW server_encoding") == [("UTF8",)]
    assert rows(server, "SELECT lower('ÄÖ'), 'Z' < 'a', 'z' < 'ä'") == [("äö", True, True)]


def test_nobody_gets_in_without_the_password_and_none_by_network(server: EmbeddedPostgres) -> None:
    server.start()
    with pytest.raises(psycopg.OperationalError, match="password"):
        psycopg.connect(server.dsn.replace(server.password, "wrong"))
    assert rows(server, "SHOW listen_addresses") == [("",)]
    assert stat.S_IMODE((server.data_dir / "password").stat().st_mode) == 0o600


def test_data_survive_a_stop_and_a_start(server: EmbeddedPostgres) -> None:
    server.start()
    rows(server, "CREATE TABLE kept AS SELECT 7 AS value")
    server.stop()
    assert not server.runtime_dir.exists()
    server.start()
    assert rows(server, "SELECT value FROM kept") == [(7,)]


def test_a_killed_postmaster_with_a_busy_backend_does_not_stop_the_next_start(
    server: EmbeddedPostgres,
) -> None:
    server.start()
    rows(server, "CREATE TABLE kept AS SELECT 7 AS value")
    busy = psycopg.connect(server.dsn, autocommit=True)
    # A backend that computes does not notice that its postmaster is gone.
    busy.pgconn.send_query(b"DO 'BEGIN LOOP END LOOP; END'")
    running = "SELECT 1 FROM pg_stat_activity WHERE state = 'active' AND query LIKE 'DO %'"
    wait_until(lambda: rows(server, running), what="the busy backend")
    assert server.process is not None
    server.process.kill()
    server.process.wait()
    server.start()
    busy.close()
    assert rows(server, "SELECT value FROM kept") == [(7,)]


def test_it_ends_when_whoever_started_it_is_killed(tmp_path: Path) -> None:
    code = (
        "import sys, time; from pathlib import Path\n"
        "from ops.embedded.postgres import EmbeddedPostgres\n"
        "EmbeddedPostgres(Path(sys.argv[1]), durable=False).start()\n"
        "print('up', flush=True); time.sleep(600)\n"
    )
    data = tmp_path / "data"
    with subprocess.Popen([sys.executable, "-c", code, data], stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        assert parent.stdout.readline() == b"up\n"
        assert process.processes_working_in(data / "cluster")
        parent.kill()
    wait_until(lambda: not process.processes_working_in(data / "cluster"), what="its end")
    again = EmbeddedPostgres(data, durable=False)
    again.start()
    again.stop()


def test_a_server_left_over_is_replaced(server: EmbeddedPostgres) -> None:
    server.start()
    second = EmbeddedPostgres(server.data_dir, durable=False)
    second.start()
    assert rows(second, "SELECT 1") == [(1,)]
    assert second.process is not None
    lock = (second.cluster / "postmaster.pid").read_text()
    assert int(lock.splitlines()[0]) == second.process.pid
    second.stop()


def test_half_a_cluster_from_a_killed_first_start_is_made_anew(server: EmbeddedPostgres) -> None:
    half = server.data_dir / "cluster.new"
    half.mkdir(parents=True)
    (half / "PG_VERSION").write_text("18\n")
    server.start()
    assert rows(server, "SELECT 1") == [(1,)]


def test_a_server_that_cannot_start_says_why(server: EmbeddedPostgres) -> None:
    server.start()
    server.stop()
    (server.cluster / "PG_VERSION").write_text("17\n")
    with pytest.raises(Unavailable, match=r"did not start: .*(17|incompatible)"):
        server.start()


def test_a_long_data_dir_still_has_a_short_socket(tmp_path: Path) -> None:
    server = EmbeddedPostgres(tmp_path / ("long" * 40), durable=False)
    server.start()
    assert len(os.fsencode(server.runtime_dir / ".s.PGSQL.5432")) <= postgres.SOCKET_PATH_LIMIT
    server.stop()


def test_a_socket_folder_that_somebody_else_laid_is_refused(tmp_path: Path) -> None:
    trap = tmp_path / "trap"
    trap.symlink_to("/usr")
    with pytest.raises(Unavailable, match="belongs to somebody else"):
        postgres.private_folder(trap)


def test_without_user_namespaces_root_drops_to_an_ordinary_user(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    if os.geteuid() != 0:
        # What root does cannot be tried; what it would decide can.
        assert postgres.closed_parent(tmp_path) is None or tmp_path.stat().st_uid == os.geteuid()
        return
    monkeypatch.setattr(postgres, "user_namespaces_work", lambda uid: False)
    open_place = Path("/tmp") / f"holdfast-open-{os.getpid()}"
    open_place.mkdir()
    open_place.chmod(0o755)  # whatever the umask
    server = EmbeddedPostgres(open_place / "data", durable=False)
    try:
        if postgres.closed_parent(postgres.binary("postgres")) is not None:
            # This checkout itself lies in a closed folder, so another user cannot reach the server's binary.
            with pytest.raises(Unavailable, match="is closed to other users"):
                server.start()
            return
        server.start()
        assert server.process is not None
        assert Path(f"/proc/{server.process.pid}").stat().st_uid != 0
        assert server.cluster.stat().st_uid != 0
        server.process.send_signal(signal.SIGKILL)
        server.process.wait()
        server.start()
        assert rows(server, "SELECT 1") == [(1,)]
        server.stop()
        monkeypatch.undo()
        # A kernel that allows them again finds a cluster of another user, and takes it over.
        server.start()
        assert rows(server, "SELECT 1") == [(1,)]
    finally:
        server.stop()
        shutil.rmtree(open_place)


def test_where_root_can_do_nothing_it_says_why_in_one_sentence(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(postgres, "user_namespaces_work", lambda uid: False)
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o700)
    with pytest.raises(Unavailable, match=r"is closed to other users: run as an ordinary user"):
        postgres.identity_for_root(closed / "data")
