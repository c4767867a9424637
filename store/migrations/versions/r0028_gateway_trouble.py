"""Gateways that are refused, and clocks that are wrong, as long as that lasts."""

from store.migrate import run_sql_file

revision = "0028"
down_revision = "0024"


def upgrade() -> None:
    run_sql_file("0028_gateway_trouble.sql")
