"""A database of the first release, with data in it, is brought up to date; nothing in it is lost."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime, timedelta
from typing import Any

import psycopg
import pytest
from alembic import command
from alembic.config import Config
from psycopg.errors import ExclusionViolation
from sqlalchemy import create_engine
from sqlalchemy.pool import NullPool

from store import migrate, sessions
from store.database import Connection, connect
from store.layout import ensure_layout
from store.secret import digest

FIRST = "0002"
"""The revision of the first release."""
AT = datetime(2026, 11, 23, 18, 0, tzinfo=UTC)

DATA = """
INSERT INTO person (login, name, role, password_hash, created_at)
    VALUES ('mara', 'Mara Vogt', 'manager', 'argon2', %(at)s);
INSERT INTO login_session (token_digest, person_id, created_at, expires_at)
    VALUES (%(digest)s, 1, %(at)s, %(at)s + interval '30 days');
INSERT INTO site (name, time_zone) VALUES ('Quay', 'Europe/Lisbon');
INSERT INTO gateway (name, site_id, secret_bcrypt, created_at) VALUES ('van-7', 1, '$2b$04$kept', %(at)s);
INSERT INTO instrument (gateway_id, name, role, position)
    SELECT 1, 'g' || n, 'gauge', 'circuit' FROM generate_series(1, 3) n;
INSERT INTO job (title, state, walk_up, site_id, procedure_id, opened_at, closed_at, closed_by_rule)
    SELECT title, 'closed', walk_up, 1, 1, %(at)s, %(at)s + interval '9 hours', walk_up
    FROM (VALUES ('Rack 2', false), ('Walk-up', true), ('Freezer', false)) job (title, walk_up);
-- One after the other; one that was not ended before the next began; two that began at once.
INSERT INTO assignment (job_id, instrument_id, since, until, deciding) VALUES
    (1, 1, %(at)s, %(at)s + interval '1 hour', true),
    (2, 1, %(at)s + interval '1 hour', NULL, true),
    (1, 2, %(at)s, %(at)s + interval '5 hours', false),
    (3, 2, %(at)s + interval '2 hours', NULL, true),
    (1, 3, %(at)s, %(at)s + interval '1 hour', false),
    (3, 3, %(at)s, %(at)s + interval '3 hours', false);
INSERT INTO reading (instrument_id, quantity, time, value, arrived)
    SELECT 1 + n %% 3, 1, %(at)s + n * interval '1 minute', 100 - n, %(at)s FROM generate_series(0, 99) n;
INSERT INTO work (instrument_id, since, until) VALUES (1, %(at)s, %(at)s);
INSERT INTO hold_test (job_id, started_at, verdict, reason, text, detail)
    VALUES (1, %(at)s, 'passed', 'held', 'It held.', '{}');
INSERT INTO event (kind, happened_at, recorded_at, site_id, job_id, subject, text) VALUES
    ('job-opened', %(at)s, %(at)s, 1, 2, 'job:2', 'A walk-up job.'),
    ('job-closed', %(at)s + interval '9 hours', %(at)s, 1, 2, 'job:2', 'Closed.'),
    ('job-opened', %(at)s, %(at)s, 1, 1, 'job:1', 'A job.');
INSERT INTO audit (at, act, subject) VALUES (%(at)s, 'add-site', 'site:1');
"""

MIGRATE = "import sys; from store.migrate import migrate; print(migrate(sys.argv[1]))"


def upgrade_to(dsn: str, revision: str) -> None:
    engine = create_engine("postgresql+psycopg://", creator=lambda: psycopg.connect(dsn), poolclass=NullPool)
    config = Config()
    config.set_main_option("script_location", str(migrate.MIGRATIONS))
    with engine.connect() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
        connection.commit()
    engine.dispose()


@pytest.fixture
def dsn(empty_database: str) -> str:
    """A database as the first release left it."""
    upgrade_to(empty_database, FIRST)
    with connect(empty_database, application="test") as conn:
        ensure_layout(conn)
        values = {"at": AT, "digest": digest("of-mara")}
        for statement in DATA.strip().removesuffix(";").split(";\n"):
            conn.execute(statement.encode(), values)
    return empty_database


def rows(conn: Connection, query: str) -> list[dict[str, Any]]:
    return conn.execute(query.encode()).fetchall()


def upgrade_twice_at_once(dsn: str) -> None:
    both = [
        subprocess.Popen([sys.executable, "-c", MIGRATE, dsn], stdout=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    said = [process.communicate(timeout=100)[0].strip() for process in both]
    assert said == [migrate.newest()] * 2
    assert [process.returncode for process in both] == [0, 0]


def test_what_the_first_release_left_is_kept_and_served_on(dsn: str) -> None:
    kept = (
        "person", "login_session", "site", "gateway", "instrument", "job", "reading", "work", "hold_test",
        "event", "audit", "procedure",
    )  # fmt: skip
    with connect(dsn, application="test") as conn:
        before = {table: rows(conn, f"SELECT * FROM {table} ORDER BY 1, 2, 3, 4") for table in kept}
    upgrade_twice_at_once(dsn)
    with connect(dsn, application="test") as conn:
        for table in kept:
            after = rows(conn, f"SELECT * FROM {table} ORDER BY 1, 2, 3, 4")
            assert [
                {column: new[column] for column in old} for old, new in zip(before[table], after, strict=True)
            ] == before[table], table
        # A login lasts, and a gateway gets in as before at the broker that reads its hash.
        mara = sessions.whose(conn, "of-mara", AT + timedelta(days=1))
        assert mara is not None
        assert mara.login == "mara"
        assert rows(conn, "SELECT secret_bcrypt, secret_mosquitto FROM gateway") == [
            {"secret_bcrypt": "$2b$04$kept", "secret_mosquitto": None}
        ]
        facts = rows(conn, "SELECT job_id, kind FROM fact ORDER BY kind")
        assert [(fact["job_id"], fact["kind"]) for fact in facts] == [(2, "job-closed"), (2, "job-opened")]


def test_each_instrument_serves_one_job_at_a_time_from_then_on(dsn: str) -> None:
    upgrade_twice_at_once(dsn)
    hour = timedelta(hours=1)
    with connect(dsn, application="test") as conn:
        spans = rows(
            conn,
            "SELECT instrument_id AS i, job_id AS j, since, until, since_fixed FROM assignment ORDER BY 1, 3",
        )
        assert [(one["i"], one["j"], one["since"], one["until"], one["since_fixed"]) for one in spans] == [
            (1, 1, AT, AT + hour, True),
            (1, 2, AT + hour, None, False),
            (2, 1, AT, AT + 2 * hour, True),
            (2, 3, AT + 2 * hour, None, True),
            (3, 3, AT, AT + 3 * hour, True),
        ]
        with pytest.raises(ExclusionViolation):
            conn.execute(
                "INSERT INTO assignment (job_id, instrument_id, since) VALUES (1, 3, %s)", (AT + 2 * hour,)
            )


def test_what_is_newest_is_what_the_database_is_brought_to(dsn: str) -> None:
    assert migrate.migrate(dsn) == migrate.current(dsn)


PLAN = """
INSERT INTO instrument (gateway_id, name, role, position) VALUES (1, 'v1', 'valve', 'pump');
INSERT INTO hold_plan (job_id, instrument_id, made_at, held_s, report_at, state, progress)
    SELECT 1, i.id, %(at)s, 600, '2027-01-01 06:30+00', 'waiting',
           '{"state": "waiting", "blocked": ["Out of reach since Thu 31 Dec, 23:50: turn it."]}'
    FROM instrument i WHERE i.name = 'v1';
INSERT INTO hold_plan_line (plan_id, at, text) VALUES
    (1, '2026-06-30 22:00+00', 'Made: not before Wed 1 Jul, 01:00; tell how it went Wed 1 Jul, 06:30.'),
    (1, '2026-12-31 23:00+00', 'It runs until Fri 1 Jan, 07:00.'),
    (1, '2027-01-01 01:00+00', 'It is out of reach since Thu 31 Dec, 23:50.'),
    (1, '2027-01-01 02:00+00', 'Called off by Sun 1 Ltd.')
"""


def test_moments_in_the_log_of_a_plan_become_instants(dsn: str) -> None:
    upgrade_to(dsn, "0021")
    with connect(dsn, application="test") as conn:
        for statement in PLAN.strip().split(";\nINSERT"):
            conn.execute(f"INSERT {statement.removeprefix('INSERT')}".encode(), {"at": AT})
    migrate.migrate(dsn)
    with connect(dsn, application="test") as conn:
        # Lisbon: an hour ahead of UTC in summer, with it in winter.
        assert [row["text"] for row in rows(conn, "SELECT text FROM hold_plan_line ORDER BY id")] == [
            "Made: not before 2026-07-01T00:00:00Z; tell how it went 2026-07-01T05:30:00Z.",
            "It runs until 2027-01-01T07:00:00Z.",
            "It is out of reach since 2026-12-31T23:50:00Z.",
            "Called off by Sun 1 Ltd.",
        ]
        (plan,) = rows(conn, "SELECT progress FROM hold_plan")
        assert plan["progress"]["blocked"] == ["Out of reach since 2026-12-31T23:50:00Z: turn it."]
