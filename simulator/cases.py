"""The story of each site of the demonstration: what stands there and what happens.

tight
    Dry and tight: reaches the target in the evening, holds over the night, passes.
leak
    A leak of such a size that the limit is crossed at two in the morning: fails.
wet
    Water in oil and on walls: the rise bends over and levels off above the limit: fails by moisture.
late
    Tight; its gateway has no radio from 23:10 to 03:40 and sends those readings late: passes.
now
    Reaches its target just after the clock has met the present; holds for ten minutes; again and again.
easy
    Finished in the evening with a hand valve, charged in the morning.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from physics.units import MICRON_PA
from simulator import crew
from simulator.ambient import DayCurve
from simulator.circuit import RigData, Store
from simulator.clock import US
from simulator.gauge import PASCAL_STEPS, GaugeData
from simulator.scenario import Scenario
from simulator.site import Script, Site, SiteData

TARGET_PA = 500.0 * MICRON_PA
LIMIT_PA = 1000.0 * MICRON_PA
DWELL_S = 60.0
SHORT_HOLD_S = 600.0
PULL_AFTER_US = 75 * US
"""The repeated site has held its target for the dwell time so long after the present is met."""

ROUND_REST_US = 16 * 60 * US
"""After target reached a round still needs its hold, a nitrogen break and a rest."""

_LONG_BATTERY_H = 24.0 * 90.0


@dataclass(frozen=True, slots=True)
class Story:
    """One site and what happens there.

    Parameters
    ----------
    site : SiteData
        What stands there.
    script : callable
        Makes the script that the crew follows.
    begin_us : callable
        From which moment on the site must be simulated so that it is right at a moment [µs].
    """

    site: SiteData
    script: Callable[[Site], Script]
    begin_us: Callable[[int], int]


def stories(scenario: Scenario) -> tuple[Story, ...]:
    """The stories of a scenario, in the order of its sites."""
    return (
        _tight(scenario),
        _leak(scenario),
        _wet(scenario),
        _late(scenario),
        _now(scenario),
        _easy(scenario),
    )


def _tails(volume_m3: float, pressure_pa: float, share: float) -> tuple[Store, ...]:
    """A spectrum of bound water: seven decades of time in steps of √10, slower ones holding more."""
    taus = [30.0 * 10.0 ** (0.5 * step) for step in range(8)]
    return tuple(
        Store(volume_m3 * share * (0.2 + 0.1 * place), pressure_pa, tau) for place, tau in enumerate(taus)
    )


def _oil(volume_m3: float) -> tuple[Store, ...]:
    """Air dissolved in oil."""
    return tuple(Store(volume_m3 * 0.002, 60.0, tau) for tau in (120.0, 1200.0, 12_000.0))


def _day(scenario: Scenario, mean_c: float, swing_k: float) -> DayCurve:
    return DayCurve(273.15 + mean_c, swing_k, scenario.local_us(15))


def _evening(scenario: Scenario, site: SiteData, plan: crew.Evening) -> Story:
    return Story(site, lambda place: crew.overnight(place, plan), lambda _moment: scenario.start_us)


def _after(scenario: Scenario, minutes: float) -> int:
    return scenario.start_us + round(minutes * 60 * US)


def _tight(scenario: Scenario) -> Story:
    volume = 0.047
    gauge = GaugeData(scale=0.96, offset_pa=0.3, noise=0.004, battery_hours=_LONG_BATTERY_H)
    site = SiteData(
        "Brindle Market Hall",
        "brindle-gw",
        RigData(
            volume,
            pump_m3_s=2.8e-3,
            ultimate_pa=3.0,
            bound_water=_tails(volume, 60.0, 0.05),
            oil_gas=_oil(volume),
        ),
        _day(scenario, 17.0, 2.0),
        {"gauge-rack": (gauge, False)},
        valve="valve-rack",
    )
    plan = crew.Evening(
        _after(scenario, 10), TARGET_PA, DWELL_S, _after(scenario, 135), scenario.local_us(9, 40)
    )
    return _evening(scenario, site, plan)


def _leak(scenario: Scenario) -> Story:
    volume = 0.083
    gauge = GaugeData(scale=1.03, offset_pa=-0.3, noise=0.006, battery_hours=_LONG_BATTERY_H)
    at_pump = GaugeData(scale=0.98, noise=0.005, battery_hours=_LONG_BATTERY_H)
    site = SiteData(
        "Saltgate Cold Store",
        "saltgate-gw",
        RigData(
            volume,
            pump_m3_s=4.7e-3,
            ultimate_pa=2.5,
            bound_water=_tails(volume, 60.0, 0.04),
            oil_gas=_oil(volume),
        ),
        _day(scenario, 14.0, 4.0),
        {"gauge-coil": (gauge, False), "gauge-pump": (at_pump, True)},
        valve="valve-main",
        pump="pump-main",
        thermometer="clamp-coil",
    )
    plan = crew.Evening(_after(scenario, 15), TARGET_PA, DWELL_S, _after(scenario, 150))
    crossing_us = scenario.local_us(2)
    limit_pa = (LIMIT_PA - gauge.offset_pa) / gauge.scale
    leak = _leak_for(scenario, _evening(scenario, site, plan), plan.close_us, crossing_us, limit_pa)
    return _evening(scenario, replace(site, rig=replace(site.rig, leak_pa_m3_s=leak)), plan)


def _leak_for(scenario: Scenario, story: Story, closed_us: int, moment_us: int, pressure_pa: float) -> float:
    """The leak with which a closed circuit is at a pressure at a moment [Pa m³/s].

    While it is pumped, a leak of this size adds next to nothing; afterwards it adds a straight line.
    """
    site = Site(story.site, None, scenario.start_us, "")
    site.follow(story.script(site))
    site.run_to(moment_us)
    rise = pressure_pa - site.rig.circuit_pa
    return story.site.rig.volume_m3 * rise * US / (moment_us - closed_us)


def _wet(scenario: Scenario) -> Story:
    volume = 0.031
    gauge = GaugeData(
        unit="Pa",
        scale=1.02,
        noise=0.005,
        steps=PASCAL_STEPS,
        top_pa=120_000.0,
        battery_hours=_LONG_BATTERY_H,
    )
    # Most of the water sits in cold oil: its time constants are an hour and more, so that the target
    # is reached long before it is out.
    bound = (
        Store(volume * 0.3, 1500.0, 300.0),
        Store(volume * 0.5, 1500.0, 1800.0),
        Store(volume * 0.9, 1500.0, 5400.0),
    )
    site = SiteData(
        "Quernmill Bakery",
        "quernmill-gw",
        RigData(
            volume,
            pump_m3_s=2.4e-3,
            ultimate_pa=3.0,
            free_water_kg=4e-3,
            wet_spot_w_k=0.35,
            bound_water=bound,
            oil_gas=_oil(volume),
        ),
        _day(scenario, 18.0, 1.5),
        {"gauge-retarder": (gauge, False)},
        valve="valve-retarder",
    )
    plan = crew.Evening(_after(scenario, 5), TARGET_PA, DWELL_S, _after(scenario, 120))
    return _evening(scenario, site, plan)


def _late(scenario: Scenario) -> Story:
    volume = 0.034
    gauge = GaugeData(
        unit="mbar",
        scale=1.04,
        offset_pa=0.2,
        noise=0.003,
        steps=PASCAL_STEPS,
        top_pa=120_000.0,
        battery_hours=_LONG_BATTERY_H,
    )
    site = SiteData(
        "Heronsmere Data Hall",
        "heronsmere-gw",
        RigData(
            volume,
            pump_m3_s=2.4e-3,
            ultimate_pa=2.0,
            bound_water=_tails(volume, 50.0, 0.04),
            oil_gas=_oil(volume),
        ),
        _day(scenario, 21.0, 0.8),
        {"gauge-unit7": (gauge, False)},
        valve="valve-unit7",
        thermometer="clamp-unit7",
        radio_off=((scenario.local_us(23, 10), scenario.local_us(3, 40)),),
    )
    plan = crew.Evening(_after(scenario, 30), TARGET_PA, DWELL_S, _after(scenario, 125))
    return _evening(scenario, site, plan)


def _now(scenario: Scenario) -> Story:
    volume = 0.0085
    gauge = GaugeData(scale=0.98, noise=0.006, battery_hours=_LONG_BATTERY_H)
    site = SiteData(
        "Lantern Lane Clinic",
        "lantern-gw",
        RigData(
            volume,
            pump_m3_s=1.2e-3,
            ultimate_pa=3.0,
            hose_bore_m=6.35e-3,
            free_water_kg=3e-4,
            wet_spot_w_k=0.12,
            bound_water=_tails(volume, 60.0, 0.12),
            oil_gas=_oil(volume),
        ),
        _day(scenario, 19.0, 3.0),
        {"gauge-ward3": (gauge, False)},
        tick_us=5 * US,
        valve="valve-ward3",
        pump="pump-ward3",
    )
    pull_us = _pull_us(scenario, site)
    plan = crew.Rounds(
        first_us=scenario.meets_us + PULL_AFTER_US - pull_us,
        period_us=pull_us + ROUND_REST_US,
        target_pa=TARGET_PA,
        dwell_s=DWELL_S,
        hold_s=SHORT_HOLD_S,
    )
    return Story(site, lambda place: crew.again_and_again(place, plan), plan.begin_us)


def _pull_us(scenario: Scenario, data: SiteData) -> int:
    """How long a round takes until its target has been held for the dwell time [µs]."""
    begin_us = scenario.meets_us
    site = Site(data, None, begin_us, "")

    def once() -> Script:
        site.connect()
        yield from crew.pull_down(site, TARGET_PA, DWELL_S)

    site.follow(once())
    while not site.idle:
        site.run_to(site.now_us + data.tick_us)
    return site.now_us - begin_us


def _easy(scenario: Scenario) -> Story:
    volume = 0.026
    gauge = GaugeData(unit="mTorr", scale=1.01, noise=0.004)
    site = SiteData(
        "Fennick Dairy",
        "fennick-gw",
        RigData(
            volume,
            pump_m3_s=2.4e-3,
            ultimate_pa=2.0,
            bound_water=_tails(volume, 45.0, 0.03),
            oil_gas=_oil(volume),
        ),
        _day(scenario, 15.0, 3.0),
        {"gauge-tank": (gauge, False)},
    )
    plan = crew.Evening(
        _after(scenario, 2), TARGET_PA, DWELL_S, _after(scenario, 50), scenario.local_us(6, 45)
    )
    return _evening(scenario, site, plan)
