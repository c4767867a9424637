"""What each gateway has in quarantine beyond its share, and how its clock goes."""

from store.migrate import run_sql_file

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    run_sql_file("0012_gateways.sql")
