"""Jobs: merging, corrected assignments."""

from store.migrate import run_sql_file

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    run_sql_file("0006_jobs.sql")
