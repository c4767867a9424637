"""Hold plans and their logs."""

from store.migrate import run_sql_file

revision = "0021"
down_revision = "0023"


def upgrade() -> None:
    run_sql_file("0021_plans.sql")
