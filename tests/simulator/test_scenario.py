"""The invented company is whole, and begins at the right hour."""

from __future__ import annotations

import json
import re
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from physics.refrigerants import refrigerant
from physics.units import pascals_per
from simulator.cases import stories
from simulator.clock import US
from simulator.scenario import TIME_ZONE, Scenario, demo, demo_start_us

ZONES = ["Europe/Lisbon", "America/Denver", "Asia/Kolkata", "Pacific/Auckland"]


def moment_us(zone: str, *fields: int) -> int:
    return round(datetime(*fields, tzinfo=ZoneInfo(zone)).timestamp()) * US  # type: ignore[arg-type, misc]


def local(us: int, zone: str) -> datetime:
    return datetime.fromtimestamp(us / US, ZoneInfo(zone))


def scenario_at(now_us: int, zone: str = TIME_ZONE) -> Scenario:
    return demo(demo_start_us(now_us, zone), now_us, 7, zone)


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("hour", [0, 1, 6, 7, 12, 17, 18, 23])
def test_demo_begins_at_half_past_five_with_a_whole_night_before_now(zone: str, hour: int) -> None:
    now_us = moment_us(zone, 2026, 9, 16, hour, 20)
    start = local(demo_start_us(now_us, zone), zone)
    assert (start.hour, start.minute) == (17, 30)
    assert (local(now_us, zone).date() - start.date()).days == (1 if hour >= 7 else 2)
    # Everything of the night has happened by now: it ended at 07:00 on the day after the start.
    assert now_us >= moment_us(zone, start.year, start.month, start.day, 7) + 86_400 * US


@pytest.mark.parametrize("day", [(2026, 3, 30), (2026, 10, 26), (2026, 3, 29), (2026, 10, 25)])
def test_demo_begins_at_half_past_five_when_the_clocks_change(day: tuple[int, int, int]) -> None:
    start = local(demo_start_us(moment_us("Europe/Lisbon", *day, 9, 0), "Europe/Lisbon"), "Europe/Lisbon")
    assert (start.hour, start.minute) == (17, 30)
    assert start.date() == (datetime(*day) - timedelta(days=1)).date()  # noqa: DTZ001 - a date


def test_local_times_are_the_first_after_the_start() -> None:
    scenario = scenario_at(moment_us(TIME_ZONE, 2026, 9, 16, 10, 0))
    night = local(scenario.local_us(2), TIME_ZONE)
    assert (night.day, night.hour, night.minute) == (16, 2, 0)
    late = local(scenario.local_us(23, 10), TIME_ZONE)
    assert (late.day, late.hour, late.minute) == (15, 23, 10)


def test_every_name_that_is_used_exists_once() -> None:
    scenario = scenario_at(moment_us(TIME_ZONE, 2026, 9, 16, 10, 0))
    sites = [site.name for site in scenario.sites]
    gateways = [gateway.name for gateway in scenario.gateways]
    circuits = [circuit.name for circuit in scenario.circuits]
    instruments = [instrument.name for instrument in scenario.instruments]
    for names in (sites, gateways, circuits, instruments, scenario.crews):
        assert len(set(names)) == len(names)
    assert {gateway.site for gateway in scenario.gateways} == set(sites)
    assert {circuit.site for circuit in scenario.circuits} == set(sites)
    owned = {(instrument.gateway, instrument.name) for instrument in scenario.instruments}
    for job in scenario.jobs:
        assert job.circuit in circuits
        assert job.crew in scenario.crews
        assert {(entry.gateway, entry.instrument) for entry in job.serving} <= owned
        assert [entry.deciding for entry in job.serving].count(True) == 1
    assert {(entry.gateway, entry.instrument) for job in scenario.jobs for entry in job.serving} == owned


def test_names_fit_the_contract_and_units_are_known() -> None:
    scenario = scenario_at(moment_us(TIME_ZONE, 2026, 9, 16, 10, 0))
    pattern = re.compile(r"[a-z0-9][a-z0-9-]{1,38}[a-z0-9]")
    names = [gateway.name for gateway in scenario.gateways]
    names += [instrument.name for instrument in scenario.instruments]
    assert all(pattern.fullmatch(name) for name in names)
    for instrument in scenario.instruments:
        if instrument.role == "gauge":
            assert pascals_per(instrument.unit) > 0
    for circuit in scenario.circuits:
        refrigerant(circuit.refrigerant)


def test_procedures_of_the_jobs_are_among_those_that_every_installation_has() -> None:
    seeded = Path("store/migrations/versions/0002_procedures.sql").read_text(encoding="utf-8")
    for job in scenario_at(moment_us(TIME_ZONE, 2026, 9, 16, 10, 0)).jobs:
        assert f"('{job.procedure}'," in seeded


def test_registered_instruments_are_those_that_publish() -> None:
    scenario = scenario_at(moment_us(TIME_ZONE, 2026, 9, 16, 10, 0))
    told = {job.story for job in scenario.jobs}
    assert told == {"tight", "leak", "wet", "late", "now", "easy"}
    for story in stories(scenario):
        site = story.site
        registered = {entry.name: entry for entry in scenario.instruments if entry.gateway == site.gateway}
        others = {name for name in (site.valve, site.pump, site.thermometer) if name}
        assert set(registered) == set(site.gauges) | others
        for name, (gauge, at_pump) in site.gauges.items():
            entry = registered[name]
            assert (entry.unit, entry.range_high_pa) == (gauge.unit, gauge.top_pa)
            assert entry.position == ("pump" if at_pump else "circuit")
            assert entry.interval_s == site.tick_us / US


def test_scenario_is_plain_data() -> None:
    scenario = scenario_at(moment_us(TIME_ZONE, 2026, 9, 16, 10, 0))
    assert json.loads(json.dumps(scenario.as_dict()))["company"] == scenario.company
