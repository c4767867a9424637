"""A site where a valve may be opened from afar: everything there reports what an opening needs."""

from __future__ import annotations

from dataclasses import dataclass

from model.clock import US, to_datetime
from model.equipment import Instrument, Position, Role
from model.reading import Quantity, Valve
from store import equipment, jobs, openings, people
from store.audit import By
from tests.api.scene import MINUTE, Made, Scene
from tests.api.serving import LOGIN
from tests.api.valves import presence, report


@dataclass(frozen=True, slots=True)
class Rig:
    """A job with gauges on both sides, a pump and a closed valve."""

    scene: Scene
    made: Made
    pump: Instrument
    pump_side: Instrument

    @property
    def valve(self) -> Instrument:
        assert self.made.valve is not None
        return self.made.valve

    def tell(self, instrument: Instrument, quantity: Quantity, at_us: int, value: float) -> None:
        """A reading, as ingest leaves it."""
        self.scene._insert(instrument, quantity, [(at_us, value)])
        self.scene.latest(instrument, quantity, at_us, value)

    def pump_reports(self, since_us: int, until_us: int, *, running: bool = True) -> None:
        """A report each minute."""
        for at_us in range(since_us, until_us + 1, MINUTE):
            self.tell(self.pump, Quantity.PUMP, at_us, float(running))

    def ready(self, now_us: int) -> None:
        """All that an opening needs, reported just before a moment."""
        self.pump_reports(now_us - 10 * MINUTE, now_us)
        self.tell(self.made.gauge, Quantity.PRESSURE, now_us - 2 * US, 300.0)
        self.tell(self.pump_side, Quantity.PRESSURE, now_us - 2 * US, 8.0)
        report(self.scene, self.made, Valve.CLOSED, now_us - 5 * US)
        presence(self.scene.conn, self.made, online=True)


def rig(scene: Scene, *, opener: str = LOGIN) -> Rig:
    """The site, with opening turned on and one person named."""
    made = scene.job("Kestrel Cold Store", "Rack 1", scene.now_us - 120 * MINUTE)
    assert made.valve is not None
    conn, gateway = scene.conn, made.valve.gateway_id
    pump = equipment.add_instrument(conn, gateway, "p1", Role.PUMP)
    side = equipment.add_instrument(conn, gateway, "g2", Role.GAUGE, Position.PUMP)
    for one in (pump, side):
        jobs.assign(conn, made.job.id, one.id, scene.now_us - 120 * MINUTE)
    whom = people.by_login(conn, opener).id
    by = By(to_datetime(scene.now_us), whom)
    with conn.transaction():
        openings.change(conn, made.job.site_id, by, allowed=True, openers=[whom])
    made_rig = Rig(scene, made, pump, side)
    made_rig.ready(scene.now_us)
    return made_rig
