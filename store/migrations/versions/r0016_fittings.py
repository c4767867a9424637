"""What a pull-down is pumped with: pump and hose."""

from store.migrate import run_sql_file

revision = "0016"
down_revision = "0015"


def upgrade() -> None:
    run_sql_file("0016_fittings.sql")
