"""Which ingest process serves which session at the broker."""

from pathlib import Path

from store.migrate import run_sql_file

revision = "0015"
# The one before it, by the names of the files.
down_revision = max(
    name for path in Path(__file__).parent.glob("[0-9]*_*.sql") if (name := path.name[:4]) < revision
)


def upgrade() -> None:
    run_sql_file("0015_slots.sql")
