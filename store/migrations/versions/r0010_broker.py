"""Gateways' passwords as Mosquitto reads them."""

from store.migrate import run_sql_file

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    run_sql_file("0010_broker.sql")
