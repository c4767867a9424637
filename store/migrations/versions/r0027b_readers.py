"""Who is told how a hold plan went."""

from store.migrate import run_sql_file

revision = "0027b"
down_revision = "0027a"


def upgrade() -> None:
    run_sql_file("0027b_readers.sql")
