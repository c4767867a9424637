"""Walk-up jobs."""

from store.migrate import run_sql_file

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    run_sql_file("0008_walkups.sql")
