"""Opening a valve from afar: per site, with overrides and what came of it."""

from store.migrate import run_sql_file

revision = "0019"
down_revision = "0016"


def upgrade() -> None:
    run_sql_file("0019_opening.sql")
