"""People, places, equipment, jobs, judgement, alerts, quarantine."""

from store.migrate import run_sql_file

revision = "0001"
down_revision = None


def upgrade() -> None:
    run_sql_file("0001_first.sql")
