"""Connections to the database."""

from __future__ import annotations

import os
import signal
import threading

import psycopg
import pytest

from ops.embedded.postgres import EmbeddedPostgres
from store.database import connect


def test_a_server_that_hangs_is_given_up_and_the_connection_closed(own_postgres: EmbeddedPostgres) -> None:
    with connect(own_postgres.dsn, application="test", autocommit=True) as conn:
        conn.patience_s = 0.3
        hanging = conn.info.backend_pid
        os.kill(hanging, signal.SIGSTOP)
        try:
            with pytest.raises(psycopg.OperationalError, match=r"no answer for 0\.3 s"), conn.transaction():
                conn.execute("SELECT 1")
            assert conn.closed
        finally:
            os.kill(hanging, signal.SIGCONT)


def _tell(dsn: str) -> None:
    with connect(dsn, application="test", autocommit=True) as conn:
        conn.execute("NOTIFY work, 'late'")


def test_waiting_for_notifications_is_no_silence(own_postgres: EmbeddedPostgres) -> None:
    with connect(own_postgres.dsn, application="test", autocommit=True) as conn:
        conn.patience_s = 0.1
        conn.execute("LISTEN work")
        assert list(conn.notifies(timeout=0.3)) == []
        late = threading.Timer(0.5, lambda: _tell(own_postgres.dsn))
        late.start()
        # Without a timeout it goes on for as long as nothing comes.
        assert [notice.payload for notice in conn.notifies(stop_after=1)] == ["late"]
        late.join()
        assert conn.execute("SELECT 1 AS one").fetchone() == {"one": 1}
