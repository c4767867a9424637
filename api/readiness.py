"""Readiness: do the database, the broker and the workers really answer?"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

from api.config import MqttProbe
from api.context import Context
from model.clock import to_datetime
from model.errors import Unavailable
from store import beats, observed
from store.observed import MOST_STRAYS, Astray

PROBE_KEPT_S = 2.0
PROBE_PATIENCE_S = 2.0
OVERDUE_S = 3600.0
"""So late is no upkeep that runs, for it is due every hour."""


@dataclass(frozen=True, slots=True)
class Part:
    """Whether a part answers, and if not, why."""

    name: str
    ready: bool
    detail: str


class BrokerProbe:
    """Asks the broker by connecting as the service does; an answer is good for two seconds."""

    def __init__(self, settings: MqttProbe) -> None:
        self._settings = settings
        self._lock = threading.Lock()
        self._answer = ""
        self._asked = -PROBE_KEPT_S

    def refusal(self) -> str:
        """Why the broker is not ready, in a sentence; empty if it is."""
        with self._lock:
            if time.monotonic() - self._asked >= PROBE_KEPT_S:
                self._answer = ask(self._settings)
                self._asked = time.monotonic()
            return self._answer


def ask(settings: MqttProbe) -> str:
    """Send a CONNECT and wait for the CONNACK; returns what went wrong, empty if nothing did."""
    from paho.mqtt import client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion
    from paho.mqtt.reasoncodes import ReasonCode

    answers: list[ReasonCode] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="", protocol=mqtt.MQTTv311)
    client.connect_timeout = PROBE_PATIENCE_S
    client.on_connect = lambda _c, _u, _f, code, _p: answers.append(code)
    if settings.username is not None:
        client.username_pw_set(settings.username, settings.password)
    try:
        if (context := settings.tls()) is not None:
            client.tls_set_context(context)
        client.connect(settings.host, settings.port, keepalive=10)
        until = time.monotonic() + PROBE_PATIENCE_S
        while not answers and time.monotonic() < until:
            if client.loop(timeout=0.1) != mqtt.MQTT_ERR_SUCCESS and not answers:
                return "The broker closed the connection."
    except (OSError, ValueError) as error:
        return f"The broker does not answer: {error}."
    finally:
        client.disconnect()
    if not answers:
        return "The broker took the connection and said nothing."
    return f"The broker refuses us: {answers[0]}." if answers[0].is_failure else ""


def parts(context: Context, probe: BrokerProbe | None) -> list[Part]:
    """Every part that must answer, with its state."""
    found: list[Part] = []
    ages: dict[str, tuple[float, dict[str, object]]] = {}
    try:
        with context.database() as conn:
            ages = beats.ages(conn)
            readings = _of_readings(observed.astray(conn, to_datetime(context.clock.now_us())))
        found += [Part("database", True, "answers"), readings]
    except Unavailable as error:
        found.append(Part("database", False, str(error)))
    if probe is not None:
        refusal = probe.refusal()
        found.append(Part("broker", not refusal, refusal or "answers"))
    limit_s = context.config.beat_limit_s
    return found + [_of_process(process, ages, limit_s) for process in context.config.processes]


def _of_readings(astray: Astray | None) -> Part:
    """Whether readings lie where they belong, or soon will."""
    if astray is None or not astray.readings:
        return Part("readings", True, "all in the tables of their days")
    many = f"{astray.readings}{' or more' if astray.readings == MOST_STRAYS else ''} in the DEFAULT partition"
    if astray.overdue_s is None:
        return Part("readings", False, f"{many}, and no upkeep that empties it was ever done")
    if astray.overdue_s > OVERDUE_S:
        overdue = f"overdue by {astray.overdue_s / 3600:.0f} h"
        return Part("readings", False, f"{many}, and the upkeep that empties it is {overdue}")
    return Part("readings", True, f"{many}, for the next upkeep to give them tables of their days")


def _of_process(process: str, ages: dict[str, tuple[float, dict[str, object]]], limit_s: float) -> Part:
    if process not in ages:
        return Part(process, False, "gave no sign of life")
    age = ages[process][0]
    if age > limit_s:
        return Part(process, False, f"last gave a sign of life {age:.0f} s ago")
    return Part(process, True, "lives")
