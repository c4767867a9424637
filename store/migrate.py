"""Bringing the schema up to date: alembic runs the SQL files in ``store/migrations/versions``."""

from __future__ import annotations

import re
from pathlib import Path

import psycopg

from store.database import connect
from store.layout import ensure_layout

MIGRATIONS = Path(__file__).parent / "migrations"
LOCK = 0x486F6C64
"""Advisory lock: two processes that migrate at once do it one after the other."""


REVISION = re.compile(r'^(down_)?revision\b[^=]*= "([^"]+)"', re.MULTILINE)


def newest() -> str:
    """The revision that this program needs: the one that no other one follows, whatever their numbers."""
    found = [
        REVISION.findall(path.read_text("utf-8")) for path in (MIGRATIONS / "versions").glob("r[0-9]*.py")
    ]
    before = {number for said in found for down, number in said if down}
    heads: set[str] = {number for said in found for down, number in said if not down} - before
    return heads.pop()


def current(dsn: str) -> str | None:
    """The revision of the database, None if it is empty."""
    with connect(dsn, application="migrate") as conn:
        found = conn.execute("SELECT to_regclass('alembic_version') IS NOT NULL AS there").fetchone()
        if not (found and found["there"]):
            return None
        row = conn.execute("SELECT version_num FROM alembic_version").fetchone()
        return row["version_num"] if row else None


def migrate(dsn: str) -> str:
    """Bring the database up to `newest` and lay out the readings; returns the revision.

    A database that is up to date already is left alone, and alembic (half a second) is not even imported.
    """
    with connect(dsn, application="migrate", autocommit=True, statement_timeout_s=3600) as guard:
        guard.execute("SELECT pg_advisory_lock(%s)", (LOCK,))
        if current(dsn) != newest():
            _upgrade(dsn)
        with guard.transaction():
            ensure_layout(guard)
    return newest()


def _upgrade(dsn: str) -> None:
    from alembic import command
    from alembic.config import Config
    from sqlalchemy import create_engine
    from sqlalchemy.pool import NullPool

    engine = create_engine(
        "postgresql+psycopg://",
        creator=lambda: psycopg.connect(dsn, application_name="holdfast-migrate"),
        poolclass=NullPool,
    )
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    with engine.connect() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        connection.commit()
    engine.dispose()


def run_sql_file(name: str) -> None:
    """Run one file of ``versions`` in the migration that alembic has open."""
    from alembic import op

    sql = (MIGRATIONS / "versions" / name).read_text(encoding="utf-8")
    driver = op.get_bind().connection.driver_connection
    assert isinstance(driver, psycopg.Connection)
    driver.execute(sql.encode())
