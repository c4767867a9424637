"""What is said of running pull-downs."""

from store.migrate import run_sql_file

revision = "0013"
down_revision = "0012"


def upgrade() -> None:
    run_sql_file("0013_pull_downs.sql")
