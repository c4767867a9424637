"""Readings of jobs that outlive their retention."""

from store.migrate import run_sql_file

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    run_sql_file("0014_evidence.sql")
