"""The demo's invented company: registered once, replayed by a clock of its own."""

from __future__ import annotations

import secrets
from datetime import datetime

from model.clock import US, ReplayClock, SystemClock, to_datetime
from model.equipment import Position, Role
from model.errors import NotFound
from model.rig import Rig
from ops.installation import Installation, Login, write
from ops.settings import Settings
from simulator import scenario as scenarios
from store import equipment, jobs, people, procedures
from store.database import Connection, connect

CATCH_UP_S = 40.0
"""How long yesterday evening and the night take."""

FIRST_LOGIN = "dispatch"
TECHNICIAN = ("ines", "Ines Tavira")
"""Login and name of the technician at the clinic; invented, as everybody here."""


def prepare(settings: Settings, dsn: str, installation: Installation) -> Installation:
    """Choose clock and passwords once, remember them, and register the invented company."""
    now_us = SystemClock().now_us()
    if installation.replay is None:
        start_us = scenarios.demo_start_us(now_us)
        speed = 1 + (now_us - start_us) / (CATCH_UP_S * US)
        names = [gateway.name for gateway in scenarios.demo(start_us, now_us, settings.seed).gateways]
        installation = installation.with_(
            replay=ReplayClock(now_us, start_us, speed).text(),
            login=Login(FIRST_LOGIN, secrets.token_urlsafe(12)),
            gateways={name: secrets.token_urlsafe(24) for name in names},
        )
    if installation.technician is None:
        installation = installation.with_(technician=Login(TECHNICIAN[0], secrets.token_urlsafe(12)))
    write(settings.data_dir.absolute(), installation)
    with connect(dsn, application="ops") as connection:
        if not people.everybody(connection):
            register(connection, installation, settings.seed, to_datetime(now_us))
        _ensure_technician(connection, installation, to_datetime(now_us))
    return installation


def scenario_of(clock: ReplayClock, seed: int) -> scenarios.Scenario:
    """The company whose night this clock replays."""
    return scenarios.demo(clock.start_us, clock.meets_us, seed)


def _ensure_technician(connection: Connection, installation: Installation, now: datetime) -> None:
    assert installation.technician is not None
    login, name = TECHNICIAN
    try:
        people.by_login(connection, login)
    except NotFound:
        people.add(connection, login, name, "technician", now, password=installation.technician.password)


def register(connection: Connection, installation: Installation, seed: int, now: datetime) -> None:
    """Put the company into an empty database, and the first administrator."""
    assert installation.replay is not None
    assert installation.login is not None
    login = installation.login
    people.add(connection, login.login, "First login", "administrator", now, password=login.password)
    company = scenario_of(ReplayClock.parse(installation.replay), seed)
    sites = {s.name: equipment.add_site(connection, s.name, s.time_zone, s.place) for s in company.sites}
    circuits = {
        c.name: equipment.add_circuit(connection, sites[c.site].id, c.name, c.volume_m3, c.refrigerant, c.oil)
        for c in company.circuits
    }
    crews = {name: equipment.add_crew(connection, name) for name in company.crews}
    began = to_datetime(company.start_us)
    gateways = {
        g.name: equipment.add_gateway(
            connection, g.name, sites[g.site].id, began, installation.gateways[g.name]
        )[0]
        for g in company.gateways
    }
    instruments = {
        (i.gateway, i.name): equipment.add_instrument(
            connection,
            gateways[i.gateway].id,
            i.name,
            Role(i.role),
            Position(i.position),
            principle=i.principle,
            unit=i.unit,
            range_low_pa=i.range_low_pa,
            range_high_pa=i.range_high_pa,
            accuracy=i.accuracy,
            interval_s=i.interval_s,
            serial=i.serial,
            pump_m3_s=i.pump_m3_s,
        )
        for i in company.instruments
    }
    for entry in company.jobs:
        circuit = circuits[entry.circuit]
        bore_m, length_m = entry.hose_m or (None, None)
        job = jobs.add(
            connection,
            entry.title,
            circuit.site_id,
            procedures.named(connection, entry.procedure).id,
            entry.planned_us,
            circuit_id=circuit.id,
            crew_id=crews[entry.crew].id,
            rig=Rig(entry.pump_m3_s, bore_m=bore_m, length_m=length_m),
        )
        for serving in entry.serving:
            instrument = instruments[serving.gateway, serving.instrument]
            jobs.assign(connection, job.id, instrument.id, company.start_us, deciding=serving.deciding)
