"""Moments in the log of a plan as instants."""

from store.migrate import run_sql_file

revision = "0027"
down_revision = "0021"


def upgrade() -> None:
    run_sql_file("0027_instants.sql")
