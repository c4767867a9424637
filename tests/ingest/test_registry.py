"""What is registered is known at once, also where the word of it has not come yet."""

from __future__ import annotations

from ingest.registry import Registry
from model.clock import to_datetime
from model.equipment import Role
from store import equipment
from tests.ingest.helpers import NOW_US, register, session


def test_what_is_registered_is_known_though_the_equipment_was_read_just_now(database: str) -> None:
    register(database)
    registry = Registry()
    with session(database) as conn:
        assert registry.reload(conn)
        assert not registry.reload(conn, older_than_s=60.0)
        gateway = equipment.gateway_named(conn, "gw1")
        equipment.add_instrument(conn, gateway.id, "g9", Role.GAUGE)
        assert registry.reload(conn, older_than_s=60.0)
        assert "gw1/g9" in registry.equipment.instruments
        equipment.add_gateway(conn, "gw9", gateway.site_id, to_datetime(NOW_US))
        assert registry.reload(conn, older_than_s=60.0)
        assert "gw9" in registry.equipment.gateways
        assert not registry.reload(conn, older_than_s=60.0)
