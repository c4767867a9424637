"""Which crew somebody is in, and what people write down at a job."""

from store.migrate import run_sql_file

revision = "0023"
down_revision = "0019"


def upgrade() -> None:
    run_sql_file("0023_mine.sql")
