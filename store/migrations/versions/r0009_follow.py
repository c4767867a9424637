"""Who follows which job."""

from store.migrate import run_sql_file

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    run_sql_file("0009_follow.sql")
