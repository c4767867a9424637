"""The handbook's gateways as processes, on real brokers, with the real ingest and a real PostgreSQL."""

from __future__ import annotations

import random
import ssl
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from model.reading import Quantity, Valve
from ops.certificates import Authority
from ops.embedded.broker import EmbeddedBroker
from store.database import connect
from tests.fix_broker import USERS, Broker, NatsBroker
from tests.gateways.contract import strangers
from tests.gateways.rig import STYLES, Ear, Gateway, Ingest, ending, register
from tests.waiting import wait_until

READINGS = (
    "SELECT i.name, r.quantity, round(extract(epoch FROM r.time) * 1000)::bigint AS ms, r.value "
    "FROM reading r JOIN instrument i ON i.id = r.instrument_id"
)


@pytest.fixture(autouse=True)
def quick_redelivery(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ops.embedded.broker.ACK_WAIT_S", 2)


@pytest.fixture(params=STYLES)
def style(request: pytest.FixtureRequest) -> str:
    return str(request.param)


Make = Callable[..., Gateway]


@pytest.fixture
def make(style: str, tmp_path: Path) -> Iterator[Make]:
    made: list[Gateway] = []

    def one(broker: Broker | EmbeddedBroker, **settings: Any) -> Gateway:
        folder = tmp_path / "gateway"
        folder.mkdir()
        made.append(Gateway(style, broker.port, folder, **settings))
        return made[-1]

    yield one
    for gateway in made:
        if gateway.process is not None:
            gateway.process.end()


Known = tuple[str, Quantity, int, float]
"""Instrument, quantity, time [ms], value."""


def stored(dsn: str) -> Counter[Known]:
    """Each reading, and how often it is there."""
    with connect(dsn, application="test") as conn:
        rows = conn.execute(READINGS.encode())
        return Counter((row["name"], Quantity(row["quantity"]), row["ms"], row["value"]) for row in rows)


VALVES = {position.name.lower(): float(position) for position in Valve}


def promised(gateway: Gateway) -> set[Known]:
    """What the gateway said it keeps, as it must be stored."""
    found = set()
    for reading in gateway.kept:
        value = next(reading[key] for key in ("v", "vs", "vb") if key in reading)
        if reading["time"] is not None:
            number = VALVES[value] if isinstance(value, str) else float(value)
            quantity = Quantity[reading["n"].upper()]
            found.add((reading["instrument"], quantity, round(reading["time"] * 1000), number))
    return found


def test_nothing_is_lost_when_gateway_broker_and_ingest_are_killed(
    any_broker: Broker, database: str, make: Make, tmp_path: Path, rng: random.Random
) -> None:
    register(database)
    gateway, ingest, ear = make(any_broker), Ingest(database, any_broker, tmp_path), Ear(any_broker)
    with ending(ingest, ear):
        ingest.start()
        gateway.start()
        gateway.keeps_more()
        wait_until(lambda: stored(database), what="the first readings")
        wait_until(lambda: ear.of("receipt"), what="the first receipt")
        assert ear.presence()["online"]
        for _ in range(2):
            gateway.bench.pressure(rng.uniform(10, 900))
            gateway.kill()
            wait_until(lambda: not ear.presence()["online"], what="its last will")
            gateway.start()
            gateway.keeps_more()
            wait_until(lambda: ear.presence()["online"], what="its presence")
        any_broker.kill()
        gateway.keeps_more(30, "two seconds of readings without a broker")
        gateway.kill()
        gateway.start()
        gateway.keeps_more(what="readings after a restart without a broker")
        any_broker.start()
        wait_until(lambda: ear.client.is_connected() and ear.of("late"), 40, "packs of stored readings")
        ingest.kill()
        gateway.keeps_more(10, "readings without an ingest")
        ingest.start()
        gateway.keeps_more()
        wanted = promised(gateway)
        wait_until(lambda: wanted <= set(stored(database)), 60, "everything that was promised")
        assert set(stored(database).values()) == {1}, "a reading is there twice"
        assert len(wanted) > 60
        assert ear.of("late"), "stored readings have a topic of their own"
        # Few packs, and the sequence of each boot has no hole in the end.
        with connect(database, application="test") as conn:
            ledgers = conn.execute(
                "SELECT instrument_id, boot, have::text AS have FROM pack_ledger"
            ).fetchall()
        assert all(ledger["have"].count("[") == 1 for ledger in ledgers), ledgers
        assert strangers(ear.heard) == []


def test_orders_are_refused_and_done(any_broker: Broker, database: str, make: Make) -> None:
    register(database)
    gateway, ear = make(any_broker), Ear(any_broker)
    bench = gateway.bench

    def became(number: str) -> tuple[str, str]:
        body = wait_until(lambda: ear.outcome(number), what=f"the outcome of {number}")[0]
        return body["result"], body["reason"]

    with ending(ear):
        gateway.start()
        wait_until(lambda: ear.presence()["online"], what="its presence")
        refused: list[tuple[str, str, dict[str, Any], str]] = [
            ("s", "open", {"session": "0"}, "made for another session"),
            ("s-close", "close", {"session": "0"}, "made for another session"),
            ("b", "open", {"boot": "0"}, "made for another boot"),
            ("p", "open", {}, "the pump does not run"),
            ("position", "close", {"require": {"position": "open"}}, "the valve is closed"),
            ("ttl", "open", {"ttl_s": -1}, "past its time to live"),
            (
                "strange",
                "open",
                {"require": {"weather": "fair"}},
                "it requires what this gateway cannot confirm",
            ),
        ]
        for number, action, changed, reason in refused:
            ear.order(number, action, **changed)
            assert became(number) == ("refused", reason)
        bench.put(pump=1)
        for number, changed, reason in (
            ("early", {"require": {"pump_running_s": 3600}}, "the pump has not run for long enough"),
            ("high", {"require": {"max_circuit_pa": 60.0}}, "the circuit is at 66 Pa"),
            ("not-finite", {"ttl_s": float("nan")}, "past its time to live"),
        ):
            ear.order(number, "open", **changed)
            assert became(number) == ("refused", reason)
        bench.put(hands=1)
        ear.order("hands", "open")
        assert became("hands") == ("refused", "the site is switched to local hands")
        bench.put(hands=0)
        assert not bench.energised
        ear.order("go", "open", require={"position": "closed", "max_circuit_pa": 70, "pump_running_s": 0.1})
        wait_until(lambda: bench.energised, what="current in the coil")
        assert ear.outcome("go") == []
        bench.valve("moving")
        ear.order("go", "open")
        wait_until(lambda: ear.outcome("go"), what="the refusal of the repetition")
        assert became("go") == ("refused", "repeated id")
        bench.valve("open")
        wait_until(lambda: len(ear.outcome("go")) == 2, what="the valve open")
        # Told again what became of it, whoever asks again; and it is not done again.
        ear.order("go", "close")
        wait_until(lambda: len(ear.outcome("go")) == 3, what="its outcome again")
        assert [body["result"] for body in ear.outcome("go")] == ["refused", "done", "done"]
        assert bench.energised
        wait_until(lambda: any(r.get("vs") == "open" for r in gateway.kept), what="the valve's own word")
        # The key ends it, and turned back it opens nothing.
        bench.put(hands=1)
        wait_until(lambda: not bench.energised, what="no current in local hands")
        bench.valve("closed")
        bench.put(hands=0)
        gateway.keeps_more(5, "readings after the key was turned back")
        assert not bench.energised
        assert strangers(ear.heard) == []


def test_a_close_may_be_late_and_an_open_never(broker: NatsBroker, database: str, make: Make) -> None:
    register(database)
    gateway, ear = make(broker), Ear(broker)
    bench = gateway.bench
    bench.put(pump=1)
    with ending(ear):
        gateway.start()
        wait_until(lambda: ear.presence()["online"], what="its presence")
        ear.order("open", "open")
        wait_until(lambda: bench.energised, what="current in the coil")
        bench.valve("open")
        wait_until(lambda: ear.outcome("open"), what="the valve open")
        ear.order("closing", "close")
        wait_until(lambda: not bench.energised, what="no current in the coil")
        ear.order("late-open", "open", ttl_s=0.3)
        ear.order("late-close", "close", ttl_s=0.3)
        gateway.keeps_more(10, "more than 0.3 s of readings")
        bench.valve("closed")
        wait_until(lambda: len(ear.of("outcome")) == 4, what="four outcomes")
        assert [(b["id"], b["result"], b["reason"]) for b in ear.of("outcome")] == [
            ("open", "done", ""),
            ("closing", "done", ""),
            ("late-open", "refused", "past its time to live"),
            ("late-close", "done", ""),
        ]


def test_the_valve_closes_by_itself_when_the_pump_stops(
    broker: NatsBroker, database: str, make: Make
) -> None:
    gateway, ear = make(broker), Ear(broker)
    bench = gateway.bench
    bench.put(pump=1)
    with ending(ear):
        gateway.start()
        wait_until(lambda: ear.presence()["online"], what="its presence")
        ear.order("open", "open")
        wait_until(lambda: bench.energised, what="current in the coil")
        bench.put(pump=0)
        wait_until(lambda: not bench.energised, what="no current in the coil")
        wait_until(lambda: ear.outcome("open"), what="its outcome")
        assert ear.outcome("open")[0]["reason"] == "the pump stopped"
        bench.put(pump=1)
        ear.order("again", "open")
        wait_until(lambda: bench.energised, what="current in the coil")
        # Also with the broker gone, where a client may wait for an acknowledgement.
        broker.kill()
        bench.put(pump=0)
        wait_until(lambda: not bench.energised, what="no current in the coil")


def test_killed_with_the_valve_open_it_begins_with_the_valve_closed(
    broker: NatsBroker, database: str, make: Make
) -> None:
    gateway, ear = make(broker), Ear(broker)
    gateway.bench.put(pump=1)
    with ending(ear):
        gateway.start()
        wait_until(lambda: ear.presence()["online"], what="its presence")
        before = ear.presence()
        ear.order("open", "open")
        wait_until(lambda: gateway.bench.energised, what="current in the coil")
        gateway.kill()
        wait_until(lambda: not ear.presence()["online"], what="its last will")
        gateway.start()
        wait_until(lambda: not gateway.bench.energised, what="no current in the coil")
        wait_until(lambda: ear.presence()["online"], what="its presence")
        ear.order("old", "open", session=before["session"], boot=before["boot"])
        wait_until(lambda: ear.outcome("old"), what="its outcome")
        assert ear.outcome("old")[0]["reason"] == "made for another session"
        assert not gateway.bench.energised


def test_without_the_time_of_day_readings_are_dated_by_their_arrival_and_never_doubled(
    any_broker: Broker, database: str, make: Make, tmp_path: Path
) -> None:
    register(database)
    gateway, ingest, ear = make(any_broker), Ingest(database, any_broker, tmp_path), Ear(any_broker)
    gateway.bench.clock(set_right=False)
    with ending(ingest, ear):
        ingest.start()
        gateway.start()
        gateway.keeps_more(8)
        ingest.kill()  # the packs come again and again meanwhile
        gateway.keeps_more(25, "three seconds of readings")
        ingest.start()
        undated = len(gateway.kept)
        wait_until(lambda: sum(stored(database).values()) >= undated, 40, "all undated readings")
        gateway.bench.clock(set_right=True)
        wanted = wait_until(lambda: promised(gateway), what="dated readings")
        wait_until(lambda: wanted <= set(stored(database)), what="them stored")
        assert "at" not in ear.of("presence")[0]
        kept = Counter((r["instrument"], r["n"]) for r in gateway.kept)
        with connect(database, application="test") as conn:
            found = conn.execute(
                "SELECT count(*) AS n, min(r.arrived - r.time) AS least, max(r.arrived - r.time) AS most "
                "FROM reading r JOIN instrument i ON i.id = r.instrument_id WHERE i.name = 'gauge-1'"
            ).fetchone()
        assert found is not None
        assert found["n"] <= kept["gauge-1", "pressure"] + 1
        assert found["least"].total_seconds() > -0.5
        assert found["most"].total_seconds() < 60
        assert strangers(ear.heard) == []


def test_what_finds_no_room_is_counted_and_told(
    broker: NatsBroker, database: str, make: Make, tmp_path: Path, style: str
) -> None:
    register(database)
    bound = {"most_records": 25} if style == "cpython" else {"most_segments": 3}
    gateway = make(broker, times={"interval": 0.02}, **bound)
    ingest, ear = Ingest(database, broker, tmp_path), Ear(broker)
    with ending(ingest, ear):
        ingest.start()
        broker.kill()
        gateway.start()
        said = "readings dropped in all" if style == "cpython" else "the spool is full"
        if style == "micropython":
            # Each restart completes a segment an instrument.
            for _ in range(2):
                gateway.keeps_more(8)
                gateway.kill()
                gateway.start()
        wait_until(lambda: any(said in line for line in gateway.lines), what="the first dropped")
        gateway.keeps_more(3)
        gateway.kill()
        broker.start()
        gateway.start()
        told = "SELECT name, n FROM unknown_name"

        def names() -> list[str]:
            with connect(database, application="test") as conn:
                return [row["name"] for row in conn.execute(told.encode())]

        wait_until(lambda: names() == ["dropped"], 40, "the count of what was dropped")
        assert strangers(ear.heard) == []


def test_it_speaks_tls_and_trusts_only_the_authority_that_it_was_given(
    make: Make, style: str, tmp_path: Path
) -> None:
    made, stranger = Authority(tmp_path / "authority"), Authority(tmp_path / "stranger")
    for each in (made, stranger):
        each.keep(["127.0.0.1"], datetime.now(UTC))
    server = EmbeddedBroker(tmp_path / "nats", USERS, certificate=made.pair.certificate, key=made.pair.key)
    server.start()
    try:
        ear = Ear(server, ssl.create_default_context(cafile=str(made.trust)))
        trusted = tmp_path / "gateway-trust"
        gateway = make(server, **{"ca_file" if style == "cpython" else "ca_der": str(trusted)})

        def trust(authority: Authority) -> None:
            pem = authority.trust.read_text()
            trusted.write_bytes(pem.encode() if style == "cpython" else ssl.PEM_cert_to_DER_cert(pem))

        with ending(ear):
            trust(stranger)
            gateway.start()
            gateway.keeps_more(30, "three seconds of readings")
            assert not ear.of("presence")
            gateway.kill()
            trust(made)
            gateway.start()
            wait_until(lambda: ear.presence()["online"] and ear.of("late"), what="its presence and its packs")
    finally:
        server.stop()
