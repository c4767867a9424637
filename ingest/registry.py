"""Which gateways and instruments are registered, as the ingest keeps it in memory."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field

from ingest.pack import pressure_units
from store import equipment
from store.database import Connection


@dataclass(frozen=True, slots=True)
class Known:
    """A registered instrument: what decoding its packs takes."""

    id: int
    name: str
    gateway: str
    units: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Equipment:
    """Registered gateways by name, instruments by ``gateway/instrument``; revoked gateways apart."""

    gateways: Mapping[str, int] = field(default_factory=dict)
    instruments: Mapping[str, Known] = field(default_factory=dict)
    revoked: frozenset[str] = frozenset()


def load(conn: Connection) -> Equipment:
    """Read the equipment from the database."""
    every = equipment.gateways(conn)
    gateways = {gateway.id: gateway.name for gateway in every if not gateway.revoked}
    by_unit: dict[str, Mapping[str, float]] = {}
    instruments: dict[str, Known] = {}
    for instrument in equipment.instruments(conn):
        gateway = gateways.get(instrument.gateway_id)
        if gateway is None:
            continue
        # One table for each unit in use, not for each instrument.
        if instrument.unit not in by_unit:
            by_unit[instrument.unit] = pressure_units(instrument.unit)
        instruments[f"{gateway}/{instrument.name}"] = Known(
            instrument.id, instrument.name, gateway, by_unit[instrument.unit]
        )
    return Equipment(
        {name: gateway_id for gateway_id, name in gateways.items()},
        instruments,
        frozenset(gateway.name for gateway in every if gateway.revoked),
    )


class Registry:
    """The equipment, shared between threads; read anew when the database says that it changed."""

    def __init__(self) -> None:
        self.equipment = Equipment()
        self._loaded = -float("inf")
        self._newest = (0, 0)
        self._lock = threading.Lock()

    def reload(self, conn: Connection, older_than_s: float = 0.0) -> bool:
        """Read it anew if it is older than so many seconds, or something was registered since; says whether.

        That something was registered is told, too, but a message may be faster.
        """
        with self._lock:
            now, newest = time.monotonic(), equipment.newest(conn)
            if now - self._loaded <= older_than_s and newest == self._newest:
                return False
            self.equipment = load(conn)
            self._loaded, self._newest = now, newest
            return True
