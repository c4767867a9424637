"""Connections to PostgreSQL, all with the same safety limits."""

from __future__ import annotations

from typing import Any

import psycopg
from psycopg.conninfo import make_conninfo
from psycopg.rows import DictRow, dict_row

from model.errors import Unavailable

Connection = psycopg.Connection[DictRow]
"""Every connection of ours gives rows as dictionaries."""


def conninfo(dsn: str, *, application: str, statement_timeout_s: float = 30.0) -> str:
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
    dsn: str, *, application: str, autocommit: bool = False, statement_timeout_s: float = 30.0
) -> Connection:
    """Open a connection; see `conninfo`.

    Raises
    ------
    psycopg.OperationalError
        If the database does not answer; long-lived loops retry on it.
    """
    info = conninfo(dsn, application=application, statement_timeout_s=statement_timeout_s)
    return psycopg.connect(info, autocommit=autocommit, row_factory=dict_row)


def connect_or_say(dsn: str, *, application: str, autocommit: bool = False) -> Connection:
    """Like `connect`, for commands: raises `Unavailable` with one sentence."""
    try:
        return connect(dsn, application=application, autocommit=autocommit)
    except psycopg.OperationalError as error:
        first = str(error).strip().splitlines()[0] if str(error).strip() else "no answer"
        raise Unavailable(f"The database does not answer: {first}") from error


def one(row: DictRow | None) -> dict[str, Any]:
    """The row that a statement with RETURNING or an aggregate must have given."""
    if row is None:
        raise LookupError("a row was expected")
    return row
