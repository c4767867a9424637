"""Which ingest process serves which session at the broker."""

from store.migrate import run_sql_file

revision = "0015"
down_revision = "0014"


def upgrade() -> None:
    run_sql_file("0015_slots.sql")
