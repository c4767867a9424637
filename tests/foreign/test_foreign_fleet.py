"""Gateways that are not ours, on a whole installation, known to it by the contract only.

Curves are formulas; packs are written by hand after RFC 8428 (JSON, and CBOR with the labels of its table 6);
set-up and results go over HTTP. What must come out is computed here by the rule's words
(a trailing median, a limit, a persistence), from the readings that were sent, without code of the judgement.
"""

from __future__ import annotations

import json
import math
import os
import random
import signal
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit
from urllib.request import HTTPCookieProcessor, Request, build_opener

import cbor2
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.waiting import wait_until

MICRON = 0.133322387415  # conventional millimetre of mercury, 133.322387415 Pa, over a thousand
ATMOSPHERE = 101_325.0
TRIPLE_POINT = 611.657  # of water [Pa]: Guildner, Johnson and Jones, 1976
LIMIT, HOLD, SETTLE = 2500 * MICRON, 1800.0, 120.0  # the seeded usual procedure, which walk-up jobs get
PULL, CLOSE, OPEN = 300.0, 1800.0, 3660.0  # seconds from the first reading: pump on, valve closed, opened
PATIENCE_S = 60.0
LABELS = {"bt": -3, "n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "t": 6}  # RFC 8428, table 6

Curve = Callable[[float], float]
Readings = list[tuple[float, float]]
Record = tuple[float, str, float | str | bool]


# The rule, in its own words -----------------------------------------------------------------------
def filtered(readings: Readings, interval: float) -> Readings:
    """Median of the trailing 60 s, five readings at least; slower than every 12 s: of the last three."""
    result = []
    for i, (t, _) in enumerate(readings):
        last = readings[max(0, i - (2 if interval > 12 else 70)) : i + 1]
        window = [p for u, p in last if interval > 12 or t - 60 < u <= t]
        if len(window) >= (3 if interval > 12 else 5):
            result.append((t, statistics.median(window)))
    return result


def by_rule(readings: Readings, interval: float, closed: float) -> tuple[str, float, float]:
    """Verdict, decision and start value of a closed hold: over for 60 s, or three slow readings, fails."""
    values = filtered(readings, interval)
    start = [p for t, p in values if t <= closed + SETTLE][-1]
    run: list[float] = []
    for t, p in values:
        if closed + SETTLE <= t <= closed + HOLD:
            run = [*run, t] if p > LIMIT else []
            if run and (len(run) == 3 if interval > 12 else t - run[0] >= 60):
                return "failed", t, start
    return "passed", closed + HOLD, start


# Curves [Pa], from seconds since the first reading ------------------------------------------------
def evacuation(rise: Curve, *, ultimate: float = 30.0, pull_s: float = CLOSE - PULL) -> Curve:
    """Atmosphere, pull-down, a hold that rises by ``rise`` above 8 Pa of evening out, and the vent."""
    closed = PULL + pull_s

    def at(u: float) -> float:
        if u < PULL:
            return ATMOSPHERE
        if u < closed:
            return ultimate + ATMOSPHERE * math.exp(-(u - PULL) / 90)
        held = min(u, closed + OPEN - CLOSE) - closed
        inside = ultimate + 8 * (1 - math.exp(-held / 15)) + rise(held)
        return min(ATMOSPHERE, inside * math.exp(max(0.0, u - closed - OPEN + CLOSE) / 6))

    return at


def leak(pa_per_s: float) -> Curve:
    return lambda u: pa_per_s * u


def boiling(u: float) -> float:
    """Pulled down over free water: an hour at its triple point, then dry; closed at 6300 s."""
    dry = evacuation(leak(0.002), pull_s=6000)(u)
    if 300 < u < 3600:
        return max(dry, TRIPLE_POINT)
    return dry + 580 * math.exp(-(u - 3600) / 250) if 3600 <= u < 6300 else dry


# Gateways -----------------------------------------------------------------------------------------
@dataclass
class Gateway:
    """What a foreign gateway sends, and what must be said of it."""

    name: str
    curve: Curve
    interval: float = 10.0
    end: float = 4200.0
    valve: tuple[tuple[float, str], ...] = ((0.0, "open"), (CLOSE, "closed"), (OPEN, "open"))
    cbor: bool = False
    noise: float = 0.003
    range_high_pa: float | None = None
    records: dict[str, list[Record]] = field(default_factory=dict)

    def measure(self, since: float, rng: random.Random) -> Gateway:
        times = [k * self.interval for k in range(int(self.end / self.interval) + 1)]
        self.records["g1"] = [
            (since + u, "pressure", self.curve(u) * rng.gauss(1, self.noise)) for u in times
        ]
        if self.valve:
            self.records["v1"] = [(since + u, "valve", state) for u, state in self.valve]
        return self

    def pressures(self) -> Readings:
        return sorted((t, float(v)) for t, name, v in self.records["g1"] if name == "pressure")

    def packs(self, size: int) -> list[tuple[str, bytes]]:
        return [
            (instrument, pack(sorted(records[first : first + size]), first // size, self.cbor))
            for instrument, records in sorted(self.records.items(), reverse=True)
            for first in range(0, len(records), size)
        ]


def pack(records: Sequence[Record], number: int, cbor: bool) -> bytes:
    """A SenML pack with a base time, numbered since the boot."""
    base = records[0][0]
    rows: list[dict[str, Any]] = []
    for t, name, value in records:
        key = {bool: "vb", str: "vs"}.get(type(value), "v")
        unit = {"pressure": {"u": "Pa"}, "temperature": {"u": "Cel"}}.get(name, {})
        rows.append({"n": name, **unit, key: value, "t": round(t - base, 6)})
    rows[0]["bt"] = base
    rows += [{"n": "seq", "v": number}, {"n": "boot", "vs": "b1"}]
    if cbor:
        return cbor2.dumps([{LABELS[key]: value for key, value in row.items()} for row in rows])
    return json.dumps(rows).encode()


# The installation ---------------------------------------------------------------------------------
class House:
    """``holdfast up`` in an empty folder, spoken to from outside."""

    def __init__(self, folder: Path) -> None:
        clean = {k: v for k, v in os.environ.items() if not k.startswith("HOLDFAST_")}
        self.lines: list[str] = []
        self.clients: list[mqtt.Client] = []
        self.jobs: dict[str, set[int]] = {}
        self.browser = build_opener(HTTPCookieProcessor())
        self.process = subprocess.Popen(
            [sys.executable, "-m", "ops.cli", "up"], env={**clean, "HOLDFAST_DATA_DIR": str(folder)},
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip

    def start(self) -> None:
        threading.Thread(target=self._listen, daemon=True).start()
        wait_until(lambda: self.said("Password") or self.process.poll() is not None, PATIENCE_S, "the login")
        form = {"login": self.said("Login"), "password": self.said("Password"), "next": "/healthz"}
        self._open("POST", "/login", urlencode(form).encode())
        self.site = self.post("/sites", name="Seaside", time_zone="Europe/Berlin")["id"]

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line)

    def said(self, word: str) -> str:
        return next((line.split()[1] for line in self.lines if line.startswith(word + " ")), "")

    def _open(self, method: str, path: str, body: bytes | None) -> bytes:
        pages = self.said("Pages")
        kind = "json" if path.startswith("/api") else "x-www-form-urlencoded"
        headers = {"Origin": pages, "Content-Type": f"application/{kind}"}
        with self.browser.open(Request(pages + path, body, headers, method=method), timeout=30) as answer:
            return bytes(answer.read())

    def get(self, path: str) -> Any:
        return json.loads(self._open("GET", "/api/v1" + path, None))

    def post(self, path: str, **body: Any) -> Any:
        return json.loads(self._open("POST", "/api/v1" + path, json.dumps(body).encode()))

    def register(self, gateway: Gateway) -> mqtt.Client:
        made = self.post("/gateways", name=gateway.name, site_id=self.site)
        top = None
        if gateway.range_high_pa is not None:
            top = {"value": gateway.range_high_pa, "unit": "Pa"}
        for instrument in gateway.records:
            gauge = instrument != "v1"
            self.post(
                "/instruments", gateway_id=made["id"], name=instrument, role="gauge" if gauge else "valve",
                position="pump" if instrument == "p1" else "circuit", interval_s=gateway.interval,
                range_high=top if gauge else None,
            )  # fmt: skip
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=gateway.name)
        client.username_pw_set(gateway.name, made["password"])
        client.reconnect_delay_set(1, 1)
        address = urlsplit(self.said("Gateways"))
        client.connect_async(address.hostname or "", address.port or 0)
        client.loop_start()
        self.clients.append(client)
        return client

    def send(self, client: mqtt.Client, name: str, packs: Sequence[tuple[str, bytes]]) -> None:
        wait_until(client.is_connected, PATIENCE_S, "the broker to know the gateway")
        for instrument, payload in packs:
            client.publish(f"hf/1/{name}/{instrument}/late", payload, qos=1).wait_for_publish(PATIENCE_S)

    def results(self, gateway: str) -> list[dict[str, Any]]:
        """Each job that the gateway's instruments serve, with everything that is said of it."""
        known = set().union(*self.jobs.values()) if self.jobs else set()
        for job in self.get("/jobs?limit=200")["items"]:
            if job["id"] not in known:
                for serving in self.get(f"/jobs/{job['id']}")["instruments"]:
                    self.jobs.setdefault(serving["gateway"], set()).add(job["id"])
        return [self.get(f"/jobs/{number}") for number in sorted(self.jobs.get(gateway, ()))]

    def told(self, job: dict[str, Any]) -> set[str]:
        return {event["kind"] for event in self.get(f"/jobs/{job['id']}/events?limit=200")["items"]}

    def stop(self) -> None:
        for client in self.clients:
            client.disconnect()
        self.process.send_signal(signal.SIGINT)
        self.process.wait(PATIENCE_S)


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    installation = House(tmp_path_factory.mktemp("foreign house"))
    try:
        installation.start()
        yield installation
    finally:
        installation.stop()


@pytest.fixture
def since() -> float:
    return float(int(time.time()) - 5 * 3600)  # of the first reading


def seconds(moment: str | None) -> float:
    return datetime.fromisoformat(moment).timestamp() if moment else math.nan


def agree(differences: Callable[[], list[str]]) -> None:
    """Wait until nothing differs, or show what still does."""
    try:
        wait_until(lambda: not differences(), PATIENCE_S)
    except AssertionError:
        assert differences() == []


def fleet(since: float, rng: random.Random) -> list[tuple[Gateway, float, str, str]]:
    """Gateways, when their valve really closed, and the verdict and reason if not plainly by the rule."""
    slow = ((0.0, "open"), (CLOSE, "moving"), (CLOSE + 45, "closed"), (OPEN, "open"))
    short = ((0.0, "open"), (CLOSE, "closed"), (CLOSE + 900, "open"))
    plain = [
        Gateway("tight", evacuation(leak(0.002))),
        Gateway("leak-minutes", evacuation(leak(0.3)), interval=60.0, cbor=True),
        Gateway("leak-fifth", evacuation(leak(0.3)), interval=5.0, cbor=True),
        Gateway("steps", lambda u: round(evacuation(leak(0.25))(u) / MICRON, -1) * MICRON, noise=0.0),
        Gateway("tail-root", evacuation(lambda u: 3 * math.sqrt(u))),
        Gateway("scale-high", lambda u: 1.1 * evacuation(leak(0.12))(u), cbor=True),
        Gateway("zero-low", lambda u: evacuation(leak(0.001), ultimate=0.1)(u) - 0.4, noise=0.0),
    ]
    late = Gateway("valve-slow", evacuation(leak(0.3)), valve=slow).measure(since, rng)
    opened = Gateway("opened-early", evacuation(leak(0.01)), valve=short).measure(since, rng)
    spikes = Gateway("spikes", evacuation(leak(0.01))).measure(since, rng)
    for index in (215, 240, 300):
        spikes.records["g1"][index] = (since + 10 * index, "pressure", 5000.0)
    top = Gateway("top-flag", evacuation(leak(0.01)), range_high_pa=25_000 * MICRON).measure(since, rng)
    for index, (t, _) in enumerate(top.pressures()):
        if CLOSE + 600 <= t - since < OPEN:
            top.records["g1"][index] = (t, "overrange", True)
    # 325 Pa at 12 °C is 325·298.15/285.15 = 339.8 Pa at 25 °C, over the limit of 333.3
    cold = Gateway("cooled", evacuation(lambda u: 287 * min(1.0, u / 1500)), noise=0.0).measure(since, rng)
    for t, _ in cold.pressures():
        cold.records["g1"].append((t, "temperature", 25 - 13 * min(1.0, max(0.0, t - since - CLOSE) / HOLD)))
    pump = Gateway("pump-side", evacuation(leak(0.3))).measure(since, rng)
    pump.records["p1"] = [(t, "pressure", p if t < since + CLOSE else 25.0) for t, p in pump.pressures()]
    return [
        *((gateway.measure(since, rng), CLOSE, "", "") for gateway in plain),
        (late, CLOSE + 45, "", ""), (spikes, CLOSE, "", ""), (pump, CLOSE, "", ""),
        (opened, CLOSE, "inconclusive", "reopened"), (top, CLOSE, "failed", "over-range"),
        (cold, CLOSE, "inconclusive", "temperature-fell"),
    ]  # fmt: skip


def test_foreign_gateways_get_the_rules_verdicts(house: House, since: float, rng: random.Random) -> None:
    cases = fleet(since, rng)
    clients = [house.register(gateway) for gateway, *_ in cases]
    for client, (gateway, *_) in zip(clients, cases, strict=True):
        house.send(client, gateway.name, gateway.packs(500))

    def differences() -> list[str]:
        wrong = [differs(gateway, since + closed, *words) for gateway, closed, *words in cases]
        cases[:] = [case for case, text in zip(cases, wrong, strict=True) if text]
        return [text for text in wrong if text]

    def differs(gateway: Gateway, closed: float, verdict: str, reason: str) -> str:
        jobs = house.results(gateway.name)
        if [len(job["hold_tests"]) for job in jobs] != [1]:
            return f"{gateway.name}: {jobs}"
        hold = jobs[0]["hold_tests"][0]
        wanted, decided, start = by_rule(gateway.pressures(), gateway.interval, closed)
        if verdict:
            wanted, decided = verdict, closed + 660 if reason == "over-range" else math.nan
        got = (hold["verdict"], seconds(hold["started_at"]), seconds(hold["decided_at"]))
        same = got[:2] == (wanted, closed) and (math.isnan(decided) or got[2] == decided)
        measured = (hold["start"] or {"value": math.inf})["value"]
        if not same or abs(measured - start) > 1e-6 or reason not in hold["reason"]:
            return f"{gateway.name}: {hold} instead of {(wanted, closed, decided, start)}"
        told = house.told(jobs[0])
        end = "finished" if wanted == "passed" else "ended-unproven"
        return "" if {f"hold-{wanted}", "target-reached", f"evacuation-{end}"} <= told else str(told)

    agree(differences)


def test_a_bare_curve_tells_holds_from_boiling_water(house: House, since: float, rng: random.Random) -> None:
    leaking = Gateway("bare-leak", evacuation(leak(0.3)), valve=(), cbor=True).measure(since, rng)
    wet = Gateway("bare-wet", boiling, end=8600, valve=()).measure(since, rng)
    for gateway in (leaking, wet):
        house.send(house.register(gateway), gateway.name, gateway.packs(700))

    def differences() -> list[str]:
        wrong = []
        for gateway, closed in ((leaking, since + CLOSE), (wet, since + 6300)):
            holds = [hold for job in house.results(gateway.name) for hold in job["hold_tests"]]
            verdict, decided, _ = by_rule(gateway.pressures(), gateway.interval, closed)
            for hold in holds or [{}]:
                near = abs(closed - seconds(hold.get("started_at"))) <= hold.get("start_uncertainty_s", 0)
                same = verdict == "passed" or seconds(hold.get("decided_at")) == decided  # limit is absolute
                if len(holds) != 1 or not near or not same or hold["verdict"] != verdict:
                    wrong.append(f"{gateway.name}: {hold} instead of {verdict}, closed at {closed}")
        return wrong

    agree(differences)


def test_packs_in_any_order_end_in_the_same_words(house: House, since: float, rng: random.Random) -> None:
    model = Gateway("in-order", evacuation(leak(0.3)), cbor=True).measure(since, rng)
    twins = [model, replace(model, name="backwards"), replace(model, name="muddled")]
    own = ("id", "job_id", "revision", "deciding_instrument_id")

    def words(gateway: Gateway) -> list[Any]:
        return [
            [job["phases"], [{k: v for k, v in hold.items() if k not in own} for hold in job["hold_tests"]]]
            for job in house.results(gateway.name)
        ]

    packs = model.packs(40)
    orders = (packs, packs[::-1], rng.sample(packs * 2, len(packs) * 2))
    for gateway, order in zip(twins, orders, strict=True):
        client, half = house.register(gateway), len(order) // 2
        house.send(client, gateway.name, order[:half])
        agree(lambda: [] if any(part for part, _ in words(gateway)) else ["not judged yet"])  # noqa: B023
        house.send(client, gateway.name, order[half:])
    verdict, decided, _ = by_rule(model.pressures(), model.interval, since + CLOSE)

    def differences() -> list[str]:
        first, *others = map(words, twins)
        holds = [(h["verdict"], seconds(h["decided_at"])) for _, found in first for h in found]
        if holds != [(verdict, decided)]:
            return [f"in order: {first}"]
        return [f"{other} instead of {first}" for other in others if other != first]

    agree(differences)


def test_late_readings_of_a_hole_prove_the_hold(house: House, since: float, rng: random.Random) -> None:
    gateway = Gateway("radio-gone", evacuation(leak(0.01))).measure(since, rng)
    records = gateway.records["g1"]
    first, hole, rest = records[:320], records[320:370], records[370:]
    client = house.register(gateway)
    house.send(client, gateway.name, [("v1", pack(gateway.records["v1"], 0, False))])
    house.send(client, gateway.name, [("g1", pack(first, 0, False)), ("g1", pack(rest, 2, False))])

    def verdicts() -> list[str]:
        return [hold["verdict"] for job in house.results(gateway.name) for hold in job["hold_tests"]]

    agree(lambda: [] if verdicts() == ["awaiting-readings"] else verdicts() or ["no hold"])
    assert not {"hold-passed", "evacuation-finished"} & house.told(house.results(gateway.name)[0])
    house.send(client, gateway.name, [("g1", pack(hole, 1, True))])
    agree(lambda: [] if verdicts() == ["passed"] else verdicts())
    (job,) = house.results(gateway.name)
    assert {"hold-passed", "evacuation-finished"} <= house.told(job)
    decided = seconds(job["hold_tests"][0]["decided_at"])
    assert ("passed", decided) == by_rule(gateway.pressures(), 10.0, since + CLOSE)[:2]
