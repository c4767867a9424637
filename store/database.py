"""Connections to PostgreSQL, all with the same safety limits."""

from __future__ import annotations

from collections.abc import Generator
from typing import Any, TypeVar

import psycopg
from psycopg.abc import PQGen
from psycopg.conninfo import make_conninfo
from psycopg.pq import TransactionStatus
from psycopg.rows import DictRow, dict_row

from model.errors import Unavailable

T = TypeVar("T")

STATEMENT_S = 30.0
"""Longest time of a statement, unless said otherwise [s]."""
BEYOND_S = 10.0
"""How long the server may be silent beyond that [s]."""
NEVER_S = 1e9


class Connection(psycopg.Connection[DictRow]):
    """A connection of ours: gives rows as dictionaries, and does not wait for ever.

    The server ends a statement that takes too long, and TCP notices that a machine is gone. Neither helps
    where the server hangs, or where something between still acknowledges for a server that is gone: a
    connection that stays silent for ``patience_s`` is closed.
    """

    patience_s = STATEMENT_S + BEYOND_S

    def wait(self, gen: PQGen[T], interval: float = 0.1, timeout: float | None = None) -> T:
        """Let psycopg wait, for so long at most; raises ``OperationalError``."""
        try:
            return super().wait(gen, interval, self.patience_s if timeout is None else timeout)
        except psycopg.OperationalError as error:
            # Not active: it was only waited for notifications, which may stay away.
            if self.pgconn.transaction_status != TransactionStatus.ACTIVE:
                raise
            self.close()
            raise psycopg.OperationalError(f"no answer for {self.patience_s:g} s") from error

    def notifies(
        self, *, timeout: float | None = None, stop_after: int | None = None
    ) -> Generator[psycopg.Notify]:
        """As psycopg's. What may stay away is waited for without an end, unless there is a timeout."""
        return super().notifies(timeout=NEVER_S if timeout is None else timeout, stop_after=stop_after)


def conninfo(dsn: str, *, application: str, statement_timeout_s: float = STATEMENT_S) -> str:
    """The connection string with limits, so that no half-dead connection holds a process for ever.

    Parameters
    ----------
    dsn : str
        libpq connection string or URL.
    application : str
        Shown in ``pg_stat_activity``.
    statement_timeout_s : float
        Longest time of one statement [s].
    """
    options = (
        f"-c statement_timeout={int(statement_timeout_s * 1000)} "
        "-c idle_in_transaction_session_timeout=60000 -c timezone=UTC -c jit=off"
    )
    return make_conninfo(
        dsn,
        application_name=f"holdfast-{application}",
        connect_timeout=5,
        tcp_user_timeout=10_000,
        keepalives_idle=5,
        keepalives_interval=2,
        keepalives_count=3,
        options=options,
    )


def connect(
    dsn: str, *, application: str, autocommit: bool = False, statement_timeout_s: float = STATEMENT_S
) -> Connection:
    """Open a connection; see `conninfo`.

    Raises
    ------
    psycopg.OperationalError
        If the database does not answer; long-lived loops retry on it.
    """
    info = conninfo(dsn, application=application, statement_timeout_s=statement_timeout_s)
    connection = Connection.connect(info, autocommit=autocommit, row_factory=dict_row)
    connection.patience_s = statement_timeout_s + BEYOND_S
    return connection


def connect_or_say(
    dsn: str, *, application: str, autocommit: bool = False, statement_timeout_s: float = STATEMENT_S
) -> Connection:
    """Like `connect`, for commands: raises `Unavailable` with one sentence."""
    try:
        return connect(
            dsn,
            application=application,
            autocommit=autocommit,
            statement_timeout_s=statement_timeout_s,
        )
    except psycopg.OperationalError as error:
        first = str(error).strip().splitlines()[0] if str(error).strip() else "no answer"
        raise Unavailable(f"The database does not answer: {first}") from error


def one(row: DictRow | None) -> dict[str, Any]:
    """The row that a statement with RETURNING or an aggregate must have given."""
    if row is None:
        raise LookupError("a row was expected")
    return row
