"""``holdfast demo``: an invented company, whose last night runs past and then goes on live."""

from __future__ import annotations

import secrets
import sys
import time
from datetime import datetime

from model.clock import US, ReplayClock, SystemClock, to_datetime
from model.equipment import Position, Role
from ops.installation import Installation, Login, write
from ops.settings import Settings
from ops.stack import Kind, Stack
from simulator import scenario as scenarios
from store import equipment, jobs, people, procedures
from store.database import Connection, connect

CATCH_UP_S = 40.0
"""How long yesterday evening and the night take."""

FIRST_LOGIN = "dispatch"


def demo(settings: Settings) -> None:
    """Run the demo until Ctrl-C or SIGTERM."""
    print(f"Data in {settings.data_dir.absolute()}", flush=True)
    progress = Progress()
    kind = Kind(
        name="demo",
        rooms=("serve", "ingest", "analyse", "desk", "fleet"),
        prepare=prepare,
        greet=greet,
        accompany=progress.show,
    )
    Stack(settings, kind, progress.interrupt).run()


def greet(address: str, installation: Installation) -> None:
    """Say where it is and how to get in."""
    assert installation.login is not None
    print(f"Pages    {address}")
    print(f"Login    {installation.login.login}")
    print(f"Password {installation.login.password}")
    if installation.mqtt_port is not None:
        print(f"Gateways mqtt://127.0.0.1:{installation.mqtt_port}")
    print("All of it is invented. Ctrl-C stops it; the data stay.", flush=True)


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
        write(settings.data_dir.absolute(), installation)
    with connect(dsn, application="ops") as connection:
        if not people.everybody(connection):
            register(connection, installation, settings.seed, to_datetime(now_us))
    return installation


def scenario_of(clock: ReplayClock, seed: int) -> scenarios.Scenario:
    """The company whose night this clock replays."""
    return scenarios.demo(clock.start_us, clock.meets_us, seed)


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
        )
        for i in company.instruments
    }
    for entry in company.jobs:
        circuit = circuits[entry.circuit]
        job = jobs.add(
            connection,
            entry.title,
            circuit.site_id,
            procedures.named(connection, entry.procedure).id,
            entry.planned_us,
            circuit_id=circuit.id,
            crew_id=crews[entry.crew].id,
        )
        for serving in entry.serving:
            instrument = instruments[serving.gateway, serving.instrument]
            jobs.assign(connection, job.id, instrument.id, company.start_us, deciding=serving.deciding)


class Progress:
    """One line that tells what time the demo's clock shows, until it meets the present."""

    def __init__(self) -> None:
        self._shown = 0.0
        self._over = False

    def show(self, installation: Installation) -> None:
        """Called often; speaks seldom."""
        if self._over or time.monotonic() - self._shown < (0.5 if sys.stdout.isatty() else 10.0):
            return
        assert installation.replay is not None
        clock = ReplayClock.parse(installation.replay)
        self._shown = time.monotonic()
        self._over = clock.caught_up()
        if self._over:
            self._line("The night is over: the clock goes with the present now.", last=True)
            return
        local = to_datetime(clock.now_us()).astimezone()
        left_s = (clock.meets_us - SystemClock().now_us()) / US
        self._line(f"Last night runs past: {local:%a %H:%M}, {left_s:.0f} s to go")

    def interrupt(self, line: str) -> None:
        """Say something else."""
        self._line(line, last=True)

    def _line(self, line: str, *, last: bool = False) -> None:
        if not sys.stdout.isatty():
            print(line, flush=True)
            return
        print(f"\r\x1b[K{line}", end="\n" if last else "", flush=True)
