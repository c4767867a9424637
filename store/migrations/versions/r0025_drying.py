"""Drying rounds of hold plans."""

from store.migrate import run_sql_file

revision = "0025"
down_revision = "0029"


def upgrade() -> None:
    run_sql_file("0025_drying.sql")
