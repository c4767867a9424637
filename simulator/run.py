"""Run the fleet until told to stop."""

from __future__ import annotations

import logging
import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field

from simulator.clock import Clock, StopSignal
from simulator.mqtt import Credentials
from simulator.scenario import Scenario
from simulator.technician import Pages, Technician
from simulator.world import Fleet, World

LIVE_PAUSE_S = 0.25
FAST_PAUSE_S = 0.03

log = logging.getLogger("simulator")


@dataclass(frozen=True, slots=True)
class Config:
    """What the fleet needs to know.

    Parameters
    ----------
    scenario : Scenario
        The company, as it was registered.
    mqtt_host, mqtt_port : str, int
        Where the broker is.
    mqtt_tls : ssl.SSLContext or None
        How to know the broker's certificate; None: a plain connection.
    users : Mapping
        Username and password of each gateway, by its name.
    resume_from_us : int or None
        Go on from this moment; None: begin at the scenario's start [µs].
    pages : Pages or None
        Where a technician asks for valves to be closed; None: crews close them at the actuator.
    """

    scenario: Scenario
    mqtt_host: str
    mqtt_port: int
    users: Mapping[str, tuple[str, str]] = field(repr=False)
    resume_from_us: int | None = None
    pages: Pages | None = None
    mqtt_tls: ssl.SSLContext | None = None


def run(config: Config, clock: Clock, stop: StopSignal) -> None:
    """Drive the fleet by a clock until ``stop`` is set, then leave in an orderly way.

    Raises
    ------
    ValueError
        If a gateway of the scenario has no user.
    """
    missing = [gateway.name for gateway in config.scenario.gateways if gateway.name not in config.users]
    if missing:
        raise ValueError(f"no broker user is given for gateway {missing[0]!r}")
    credentials = {
        name: Credentials(config.mqtt_host, config.mqtt_port, *user, config.mqtt_tls)
        for name, user in config.users.items()
    }
    technician = None if config.pages is None else Technician(config.pages)
    wish = None if technician is None else technician.wish
    fleet = Fleet(World(config.scenario, config.resume_from_us), credentials, clock, wish)
    trouble = ""
    try:
        while not stop.is_set():
            fleet.step()
            if fleet.trouble != trouble:
                trouble = fleet.trouble
                log.warning("gateways: %s", trouble or "all connected again")
            stop.wait(FAST_PAUSE_S if fleet.fast else LIVE_PAUSE_S)
    finally:
        if technician is not None:
            technician.stop()
        fleet.close()
