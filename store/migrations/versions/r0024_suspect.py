"""Gauges marked as suspect, and openings so deep that no fall can be asked for."""

from store.migrate import run_sql_file

revision = "0024"
down_revision = "0025"


def upgrade() -> None:
    run_sql_file("0024_suspect.sql")
