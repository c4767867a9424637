"""The side of an assignment, and how far guided checks have come."""

from store.migrate import run_sql_file

revision = "0029"
down_revision = "0026"


def upgrade() -> None:
    run_sql_file("0029_hands.sql")
