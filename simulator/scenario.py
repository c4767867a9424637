"""The invented company: sites, circuits, crews, gateways, instruments and jobs, as plain data.

Every name is made up. Whoever runs the demonstration registers these with the names given here; the
fleet publishes under the same names.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from physics.units import MICRON_PA
from simulator.clock import US

COMPANY = "Wendlebury Frost Refrigeration"
TIME_ZONE = "Europe/Lisbon"
"""Where the sites are, if nobody says otherwise."""

OVERNIGHT = "Overnight: 500, at most 1000 micron after 10 h"
SHORT_CHECK = "Short check: 500, at most 1000 micron after 10 min"
STRICT = "Strict: 500, at most 1000 micron after 30 min"

EVENING = (17, 30)
"""Local time at which the demonstration begins."""

MORNING_HOUR = 7
"""Before this hour the night is not over, and the demonstration begins one evening earlier."""


@dataclass(frozen=True, slots=True)
class SiteEntry:
    """A site."""

    name: str
    place: str
    time_zone: str


@dataclass(frozen=True, slots=True)
class CircuitEntry:
    """A circuit, with the volume as a crew would enter it [m³]."""

    name: str
    site: str
    volume_m3: float
    refrigerant: str
    oil: str


@dataclass(frozen=True, slots=True)
class GatewayEntry:
    """A gateway."""

    name: str
    site: str


@dataclass(frozen=True, slots=True)
class InstrumentEntry:
    """An instrument as it is registered; pressures [Pa], accuracy as a share, interval [s]."""

    gateway: str
    name: str
    role: str
    position: str
    principle: str
    unit: str
    range_low_pa: float | None
    range_high_pa: float | None
    accuracy: float
    interval_s: float
    serial: str
    pump_m3_s: float | None = None
    """Rated pumping speed of a pump [m³/s]."""


@dataclass(frozen=True, slots=True)
class ServingEntry:
    """An instrument that serves a job; one gauge decides."""

    gateway: str
    instrument: str
    deciding: bool


@dataclass(frozen=True, slots=True)
class JobEntry:
    """A job, and the story that the fleet tells of it."""

    title: str
    circuit: str
    crew: str
    procedure: str
    planned_us: int
    serving: tuple[ServingEntry, ...]
    story: str
    hose_m: tuple[float, float] | None = None
    """Bore and length of the hose that the crew uses [m]."""
    pump_m3_s: float | None = None
    """Rated pumping speed of a hired pump [m³/s]."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """All of it.

    Parameters
    ----------
    start_us : int
        When the demonstration begins [µs].
    meets_us : int
        When its clock meets the present [µs].
    seed : int
        Seed of everything random.
    """

    company: str
    time_zone: str
    start_us: int
    meets_us: int
    seed: int
    sites: tuple[SiteEntry, ...]
    circuits: tuple[CircuitEntry, ...]
    crews: tuple[str, ...]
    gateways: tuple[GatewayEntry, ...]
    instruments: tuple[InstrumentEntry, ...]
    jobs: tuple[JobEntry, ...]

    def as_dict(self) -> dict[str, Any]:
        """Plain dictionaries, for JSON."""
        return asdict(self)

    def local_us(self, hour: int, minute: int = 0) -> int:
        """The first moment after the start at which local clocks show this time [µs]."""
        zone = ZoneInfo(self.time_zone)
        start = datetime.fromtimestamp(self.start_us / US, zone)
        moment = start.replace(hour=hour, minute=minute, second=0, microsecond=0)
        if moment < start:
            moment += timedelta(days=1)
        return round(moment.timestamp()) * US


def demo_start_us(now_us: int, time_zone: str = TIME_ZONE) -> int:
    """When a demonstration begins that shall have a whole night behind it by now.

    Parameters
    ----------
    now_us : int
        Now [µs].
    time_zone : str
        IANA name.

    Returns
    -------
    int
        17:30 local time of yesterday; of the day before, while it is not yet 07:00 [µs].
    """
    now = datetime.fromtimestamp(now_us / US, ZoneInfo(time_zone))
    days = 1 if now.hour >= MORNING_HOUR else 2
    hour, minute = EVENING
    evening = (now - timedelta(days=days)).replace(hour=hour, minute=minute, second=0, microsecond=0, fold=0)
    return round(evening.timestamp()) * US


_RANGE_HIGH_PA = 20_000.0 * MICRON_PA
_WIDE_HIGH_PA = 120_000.0


def _gauge(
    gateway: str,
    name: str,
    serial: str,
    unit: str = "micron",
    position: str = "circuit",
    high_pa: float = _RANGE_HIGH_PA,
    interval_s: float = 10.0,
) -> InstrumentEntry:
    return InstrumentEntry(
        gateway, name, "gauge", position, "heat conduction", unit, 0.0, high_pa, 0.1, interval_s, serial
    )


_WIDE_HOSE_M = (9.525e-3, 1.524)
"""3/8 in × 5 ft."""
_NARROW_HOSE_M = (6.35e-3, 1.5)
_HIRED_M3_S = 6 * 0.3048**3 / 60
"""6 cfm."""


def _other(
    gateway: str, name: str, role: str, serial: str, pump_m3_h: float | None = None
) -> InstrumentEntry:
    position = "pump" if role == "pump" else "circuit"
    rating = None if pump_m3_h is None else pump_m3_h / 3600
    return InstrumentEntry(gateway, name, role, position, "", "Pa", None, None, 0.0, 60.0, serial, rating)


def _job(
    title: str,
    circuit: str,
    crew: str,
    procedure: str,
    planned_us: int,
    serving: str,
    story: str,
    hose_m: tuple[float, float] | None = None,
    pump_m3_s: float | None = None,
) -> JobEntry:
    """``serving`` lists the gateway and its instruments, the deciding gauge first."""
    gateway, *names = serving.split()
    entries = tuple(ServingEntry(gateway, name, place == 0) for place, name in enumerate(names))
    return JobEntry(title, circuit, crew, procedure, planned_us, entries, story, hose_m, pump_m3_s)


def demo(start_us: int, meets_us: int, seed: int, time_zone: str = TIME_ZONE) -> Scenario:
    """The demonstration's company.

    Parameters
    ----------
    start_us : int
        When it begins [µs], see `demo_start_us`.
    meets_us : int
        When its clock meets the present [µs]; after a restart the same as at first.
    seed : int
        Seed of everything random.
    time_zone : str
        IANA name of the sites' zone.
    """

    def planned(minutes: int) -> int:
        return start_us + minutes * 60 * US

    hill, quay, mill = "Crew Larkspur", "Crew Bracken", "Crew Teasel"
    return Scenario(
        company=COMPANY,
        time_zone=time_zone,
        start_us=start_us,
        meets_us=meets_us,
        seed=seed,
        sites=(
            SiteEntry("Brindle Market Hall", "Upper Sallow", time_zone),
            SiteEntry("Saltgate Cold Store", "Saltgate Quay", time_zone),
            SiteEntry("Quernmill Bakery", "Quern Vale", time_zone),
            SiteEntry("Heronsmere Data Hall", "Heronsmere", time_zone),
            SiteEntry("Lantern Lane Clinic", "Upper Sallow", time_zone),
            SiteEntry("Fennick Dairy", "Fennick Marsh", time_zone),
        ),
        circuits=(
            CircuitEntry("Chill rack 2, low side", "Brindle Market Hall", 0.045, "R-448A", "POE"),
            CircuitEntry("Freezer room 4", "Saltgate Cold Store", 0.080, "R-449A", "POE"),
            CircuitEntry("Dough retarder", "Quernmill Bakery", 0.030, "R-454C", "POE"),
            CircuitEntry("Close control unit 7", "Heronsmere Data Hall", 0.035, "R-410A", "POE"),
            CircuitEntry("Split system, ward 3", "Lantern Lane Clinic", 0.009, "R-32", "PVE"),
            CircuitEntry("Milk tank 1", "Fennick Dairy", 0.025, "R-513A", "POE"),
        ),
        crews=(hill, quay, mill),
        gateways=(
            GatewayEntry("brindle-gw", "Brindle Market Hall"),
            GatewayEntry("saltgate-gw", "Saltgate Cold Store"),
            GatewayEntry("quernmill-gw", "Quernmill Bakery"),
            GatewayEntry("heronsmere-gw", "Heronsmere Data Hall"),
            GatewayEntry("lantern-gw", "Lantern Lane Clinic"),
            GatewayEntry("fennick-gw", "Fennick Dairy"),
        ),
        instruments=(
            _gauge("brindle-gw", "gauge-rack", "WF-1101"),
            _other("brindle-gw", "valve-rack", "valve", "WF-2101"),
            _gauge("saltgate-gw", "gauge-coil", "WF-1102"),
            _gauge("saltgate-gw", "gauge-pump", "WF-1103", position="pump"),
            _other("saltgate-gw", "valve-main", "valve", "WF-2102"),
            _other("saltgate-gw", "pump-main", "pump", "WF-3102", 20.0),
            _other("saltgate-gw", "clamp-coil", "thermometer", "WF-4102"),
            _gauge("quernmill-gw", "gauge-retarder", "WF-1104", unit="Pa", high_pa=_WIDE_HIGH_PA),
            _other("quernmill-gw", "valve-retarder", "valve", "WF-2104"),
            _gauge("heronsmere-gw", "gauge-unit7", "WF-1105", unit="mbar", high_pa=_WIDE_HIGH_PA),
            _other("heronsmere-gw", "valve-unit7", "valve", "WF-2105"),
            _other("heronsmere-gw", "clamp-unit7", "thermometer", "WF-4105"),
            _gauge("lantern-gw", "gauge-ward3", "WF-1106", interval_s=5.0),
            _other("lantern-gw", "valve-ward3", "valve", "WF-2106"),
            _other("lantern-gw", "pump-ward3", "pump", "WF-3106", 5.0),
            _gauge("fennick-gw", "gauge-tank", "WF-1107", unit="mTorr"),
        ),
        jobs=(
            _job(
                "Rack 2 after compressor change",
                "Chill rack 2, low side",
                hill,
                OVERNIGHT,
                planned(10),
                "brindle-gw gauge-rack valve-rack",
                "tight",
            ),
            _job(
                "Freezer 4, new evaporator",
                "Freezer room 4",
                quay,
                OVERNIGHT,
                planned(15),
                "saltgate-gw gauge-coil gauge-pump valve-main pump-main clamp-coil",
                "leak",
                _WIDE_HOSE_M,
            ),
            _job(
                "Retarder after water ingress",
                "Dough retarder",
                mill,
                OVERNIGHT,
                planned(5),
                "quernmill-gw gauge-retarder valve-retarder",
                "wet",
                _WIDE_HOSE_M,
                _HIRED_M3_S,
            ),
            _job(
                "Unit 7, line set renewed",
                "Close control unit 7",
                hill,
                OVERNIGHT,
                planned(30),
                "heronsmere-gw gauge-unit7 valve-unit7 clamp-unit7",
                "late",
            ),
            _job(
                "Ward 3, new split system",
                "Split system, ward 3",
                quay,
                SHORT_CHECK,
                meets_us,
                "lantern-gw gauge-ward3 valve-ward3 pump-ward3",
                "now",
                _NARROW_HOSE_M,
            ),
            _job(
                "Milk tank 1, drier changed",
                "Milk tank 1",
                mill,
                STRICT,
                planned(2),
                "fennick-gw gauge-tank",
                "easy",
            ),
        ),
    )
