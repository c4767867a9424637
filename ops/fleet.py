"""The demo's fleet as a process: the simulator with the names and passwords that the demo registered."""

from __future__ import annotations

import threading

from ingest.config import BrokerConfig
from model.clock import US, ReplayClock, to_us
from ops.company import scenario_of
from ops.rooms import Wiring
from simulator.run import Config, run
from simulator.technician import Pages
from store.database import connect

RESUME_US = 600 * US
"""After a longer absence the fleet goes on at once: the gap is a gap, as if the power had been off."""


def run_fleet(wiring: Wiring, stop: threading.Event) -> None:
    """Drive the fleet until ``stop`` is set."""
    assert wiring.replay is not None
    clock = ReplayClock.parse(wiring.replay)
    broker = BrokerConfig.from_url(wiring.mqtt_url)
    config = Config(
        scenario=scenario_of(clock, wiring.seed),
        mqtt_host=broker.host,
        mqtt_port=broker.port,
        mqtt_tls=broker.tls_context(),
        users={name: (name, password) for name, password in wiring.gateways.items()},
        resume_from_us=resume_from(clock, last_reading_us(wiring.database_url)),
        pages=pages_of(wiring),
    )
    run(config, clock, stop)


def pages_of(wiring: Wiring) -> Pages | None:
    """Where the technician finds the pages, and with which login; None if there is none."""
    if not wiring.technician:
        return None
    from ops.embedded.broker import ANY_ADDRESS

    host = "127.0.0.1" if wiring.http_address in ANY_ADDRESS else wiring.http_address
    scheme = "https" if wiring.certificate else "http"
    # He knows the certificate itself, whatever names it bears.
    secure = BrokerConfig(host, 0, tls=bool(wiring.certificate), pin=wiring.certificate)
    login, password = wiring.technician
    named = f"[{host}]" if ":" in host else host
    return Pages(f"{scheme}://{named}:{wiring.http_port}", login, password, secure.tls_context())


def resume_from(clock: ReplayClock, last_us: int | None) -> int | None:
    """Where the fleet goes on after a restart, None for the beginning.

    A night that was interrupted is told to its end from the last reading that was stored.
    """
    if last_us is None:
        return None
    now_us = clock.now_us()
    unfinished = last_us < clock.meets_us
    return min(last_us, now_us) if unfinished or now_us - last_us < RESUME_US else now_us


def last_reading_us(dsn: str) -> int | None:
    """Event time of the newest stored reading [µs]."""
    with connect(dsn, application="fleet") as connection:
        row = connection.execute("SELECT max(time) AS newest FROM latest").fetchone()
    return to_us(row["newest"]) if row and row["newest"] else None
