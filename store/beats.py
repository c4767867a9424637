"""Signs of life: each process says that its main loop goes round, by the database's own clock."""

from __future__ import annotations

from psycopg.types.json import Jsonb

from store.database import Connection


def beat(conn: Connection, process: str, instance: str, detail: dict[str, object] | None = None) -> None:
    """Say that ``process`` lives; call it from the main loop itself, about every two seconds."""
    conn.execute(
        "INSERT INTO beat (process, instance, at, detail) VALUES (%s, %s, clock_timestamp(), %s) "
        "ON CONFLICT (process, instance) DO UPDATE SET at = excluded.at, detail = excluded.detail",
        (process, instance, Jsonb(detail or {})),
    )


def forget(conn: Connection, process: str, instance: str) -> None:
    """Take the sign away on a clean stop."""
    conn.execute("DELETE FROM beat WHERE process = %s AND instance = %s", (process, instance))


def ages(conn: Connection) -> dict[str, tuple[float, dict[str, object]]]:
    """Age [s] and detail of the freshest beat of each process."""
    rows = conn.execute(
        "SELECT DISTINCT ON (process) process, detail, "
        "extract(epoch FROM clock_timestamp() - at)::float8 AS age FROM beat ORDER BY process, at DESC"
    )
    return {row["process"]: (row["age"], row["detail"]) for row in rows}


def on_host(conn: Connection, process: str, host: str) -> tuple[float, dict[str, object]] | None:
    """Age [s] and detail of the freshest beat of a process on one machine.

    Instances are called ``HOST:PID`` or ``NAME@HOST:PID``.
    """
    row = conn.execute(
        "SELECT detail, extract(epoch FROM clock_timestamp() - at)::float8 AS age FROM beat "
        "WHERE process = %s AND split_part(split_part(instance, '@', -1), ':', 1) = %s "
        "ORDER BY at DESC LIMIT 1",
        (process, host),
    ).fetchone()
    return None if row is None else (row["age"], row["detail"])


def all_instances(conn: Connection) -> list[tuple[str, str, float, dict[str, object]]]:
    """Process, instance, age [s] and detail of every beat."""
    rows = conn.execute(
        "SELECT process, instance, extract(epoch FROM clock_timestamp() - at)::float8 AS age, detail "
        "FROM beat ORDER BY process, instance"
    )
    return [(row["process"], row["instance"], row["age"], row["detail"]) for row in rows]
