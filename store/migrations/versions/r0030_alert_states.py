"""States of alerts: shelved, suppressed, out of service; what people say of them."""

from store.migrate import run_sql_file

revision = "0030"
down_revision = "0031"


def upgrade() -> None:
    run_sql_file("0030_alert_states.sql")
