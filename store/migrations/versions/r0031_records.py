"""Signed records of evacuations."""

from store.migrate import run_sql_file

revision = "0031"
down_revision = "0027b"


def upgrade() -> None:
    run_sql_file("0031_records.sql")
