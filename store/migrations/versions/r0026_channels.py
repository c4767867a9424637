"""Over which channels people are told, and the mornings."""

from store.migrate import run_sql_file

revision = "0026"
down_revision = "0027"


def upgrade() -> None:
    run_sql_file("0026_channels.sql")
