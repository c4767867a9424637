"""What people have proved before a hold is left to itself."""

from store.migrate import run_sql_file

revision = "0027a"
down_revision = "0028"


def upgrade() -> None:
    run_sql_file("0027a_proofs.sql")
