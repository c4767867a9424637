"""Equipment: what setting up needs."""

from store.migrate import run_sql_file

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    run_sql_file("0005_equipment.sql")
