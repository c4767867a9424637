"""The ledger test: a slice of it, and what it must find."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest

from bench.chaos import mqtt
from bench.chaos.checker import Verdict, compare
from bench.chaos.ledger import Ledger, Pack
from bench.chaos.proxy import Proxy, Trap
from bench.chaos.watch import IngestAtBroker, IngestAtDatabase, Moment
from tests.fix_broker import debian_program

LINE = ("gw1", "g1")
BEGIN_US = 1_780_000_000_000_000


def chaos(seed: int, *arguments: str) -> dict[str, Any]:
    """Everything that a run reports."""
    command = [sys.executable, "-m", "bench.chaos", "--fast", "--json", "--seed", str(seed), *arguments]
    done = subprocess.run(command, capture_output=True, timeout=170, check=False)
    assert done.stdout, done.stderr.decode()[-2000:]
    result: dict[str, Any] = json.loads(done.stdout)
    assert (done.returncode == 0) == result["good"]
    return result


@pytest.mark.once
def test_nothing_is_lost_doubled_or_invented_while_every_part_is_killed_and_cut(seed: int) -> None:
    result = chaos(seed, "--faults", "18", "--hits", "1", "--readings", "20000", "--rate", "1500")
    assert result["good"], result
    assert sum(result["faults"].values()) >= 18
    assert all(point["hits under load"] >= 1 for point in result["points"].values())
    assert result["verdict"]["stored"] >= 20_000


@pytest.mark.once
@pytest.mark.parametrize(
    ("mutant", "faults", "found"),
    [
        ("acknowledges-before-commit", ["before acknowledge: kill ingest"], "said too early"),
        ("receipts-before-commit", ["before receipt: kill ingest"], "said too early"),
        ("forgets-on-reconnect", ["kill ingest", "black hole ingest–broker"], "lost_acknowledged"),
        ("loses-second-batch", ["reset ingest–database", "kill PostgreSQL"], "lost_acknowledged"),
    ],
)
def test_an_ingest_with_a_fault_is_found(seed: int, mutant: str, faults: list[str], found: str) -> None:
    only = [word for fault in faults for word in ("--only", fault)]
    result = chaos(seed, "--mutant", mutant, "--faults", "4", "--readings", "1", *only)
    assert not result["good"]
    assert (result | result["verdict"])[found], result


SEVERAL = ("--broker", "mosquitto", "--ingests", "2")
KILLS = ("--only", "kill ingest", "--only", "COMMIT sent: kill ingest")


@pytest.mark.once
@pytest.mark.mosquitto
def test_nothing_is_lost_when_one_of_two_ingests_is_killed_again_and_again(seed: int) -> None:
    debian_program("mosquitto")
    result = chaos(seed, *SEVERAL, *KILLS, "--faults", "8", "--readings", "10000")
    assert result["good"], result
    assert result["verdict"]["lost_acknowledged"] == 0


# What the comparison blames ---------------------------------------------------------------------------


def made(*, receipted: bool = False, acknowledged: bool = False, sent: int = 1) -> tuple[Ledger, Pack]:
    ledger = Ledger()
    pack = Pack(LINE, "b1", 1, 1, 3, BEGIN_US, 1000, 0.0, sent, acknowledged, receipted)
    ledger.make(pack)
    return ledger, pack


def blamed(ledger: Ledger, rows: list[tuple[float, int]], book: dict[str, set[int]]) -> dict[str, int]:
    verdict = Verdict()
    compare(verdict, ledger, LINE, rows, book)
    return {name: count for name, count in verdict.faults.items() if count}


def rows_of(pack: Pack) -> list[tuple[float, int]]:
    return list(zip(pack.values, pack.times_us, strict=True))


def test_a_store_that_holds_what_was_promised_is_not_blamed() -> None:
    ledger, pack = made(receipted=True)
    assert blamed(ledger, rows_of(pack), {"b1": {1}}) == {}


def test_a_missing_reading_is_lost_by_the_strongest_word_that_was_given() -> None:
    ledger, pack = made(receipted=True, acknowledged=True)
    assert blamed(ledger, rows_of(pack)[1:], {}) == {"lost_receipted": 1}
    ledger, pack = made(acknowledged=True)
    assert blamed(ledger, [], {}) == {"lost_acknowledged": 3}


def test_a_pack_of_unknown_outcome_may_be_there_or_not_but_not_in_part() -> None:
    ledger, pack = made()
    assert blamed(ledger, [], {}) == {}
    assert blamed(ledger, rows_of(pack), {"b1": {1}}) == {}
    assert blamed(ledger, rows_of(pack)[:2], {}) == {"torn": 1}


def test_rows_that_are_there_twice_or_that_nobody_sent_are_blamed() -> None:
    ledger, pack = made(receipted=True)
    there, book = rows_of(pack), {"b1": {1}}
    assert blamed(ledger, [*there, (pack.values[0], pack.times_us[0] + 7)], book) == {
        "doubled": 1,
        "invented": 1,
    }
    assert blamed(ledger, [*there, (999.0, BEGIN_US)], book) == {"invented": 1}
    ledger, pack = made(sent=0)
    assert blamed(ledger, rows_of(pack), book) == {"invented": 3}


def test_times_that_count_from_their_arrival_may_come_late_but_never_early() -> None:
    ledger, pack = made(receipted=True)
    ledger.relative.add(LINE)
    assert blamed(ledger, [(value, at + 2_000_000) for value, at in rows_of(pack)], {"b1": {1}}) == {}
    assert blamed(ledger, [(value, at - 2_000_000) for value, at in rows_of(pack)], {"b1": {1}}) == {
        "invented": 3
    }


def test_a_book_of_packs_that_differs_from_the_readings_is_blamed() -> None:
    ledger, pack = made(receipted=True)
    assert blamed(ledger, rows_of(pack), {}) == {"miscounted": 1}
    assert blamed(ledger, rows_of(pack), {"b1": {1, 2}}) == {"miscounted": 1}


def test_a_receipt_for_a_pack_that_was_never_sent_is_groundless() -> None:
    ledger, _ = made(sent=0)
    ledger.receipt(LINE, "b1", [(1, 2)], [])
    assert len(ledger.groundless) == 2


# The proxy ----------------------------------------------------------------------------------------------


@asynccontextmanager
async def echo() -> AsyncIterator[Proxy]:
    """A proxy before a server that sends back what it gets."""

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(1000):
            writer.write(data)
        writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    proxy = Proxy("echo", int(server.sockets[0].getsockname()[1]))
    await proxy.start()
    yield proxy
    await proxy.stop()
    server.close()


async def call(proxy: Proxy) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    reader, writer = await asyncio.open_connection("127.0.0.1", proxy.port)
    writer.write(b"one")
    assert await reader.readexactly(3) == b"one"
    return reader, writer


def test_a_reset_is_seen_as_a_reset() -> None:
    async def check() -> None:
        async with echo() as proxy:
            reader, _ = await call(proxy)
            proxy.reset()
            with pytest.raises(ConnectionResetError):
                await reader.read(1)

    asyncio.run(check())


def test_a_black_hole_holds_what_is_sent_until_it_ends() -> None:
    async def check() -> None:
        async with echo() as proxy:
            reader, writer = await call(proxy)
            proxy.swallow(True)
            writer.write(b"two")
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(reader.read(1), 0.05)
            proxy.swallow(False)
            assert await reader.readexactly(3) == b"two"

    asyncio.run(check())


def test_a_half_closed_connection_ends_in_one_direction() -> None:
    async def check() -> None:
        async with echo() as proxy:
            reader, writer = await call(proxy)
            (pipe,) = proxy.pipes
            pipe.half_close(False)
            assert await reader.read(1) == b""
            writer.write(b"more")
            await writer.drain()

    asyncio.run(check())


def test_a_trap_stops_the_message_that_it_waits_for() -> None:
    async def check() -> None:
        received = bytearray()

        async def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            while data := await reader.read(1000):
                received.extend(data)
            writer.close()

        server = await asyncio.start_server(take, "127.0.0.1", 0)
        proxy = Proxy("broker", int(server.sockets[0].getsockname()[1]), IngestAtBroker)
        await proxy.start()
        trap = proxy.trap = Trap(Moment.RECEIPT)
        _, writer = await asyncio.open_connection("127.0.0.1", proxy.port)
        first = mqtt.publish("hf/1/gw1/elsewhere", b"{}", 1)
        writer.write(first + mqtt.publish("hf/1/gw1/receipt", b"{}", 2) + first)
        pipe, seen = await asyncio.wait_for(trap.hit, 10)
        assert seen.message is not None
        assert seen.message.topic == "hf/1/gw1/receipt"
        pipe.reset()
        while proxy.pipes:
            await asyncio.sleep(0)
        assert bytes(received) == first
        await proxy.stop()
        server.close()

    asyncio.run(check())


def postgres(letter: bytes, content: bytes) -> bytes:
    return letter + (len(content) + 4).to_bytes(4, "big") + content


def test_the_commit_of_a_batch_is_recognised_however_it_is_cut() -> None:
    """Messages after PostgreSQL's documentation, chapter "Frontend/Backend Protocol"."""
    watch = IngestAtDatabase()
    start = (8).to_bytes(4, "big") + (196608).to_bytes(4, "big")
    batch = [
        postgres(b"Q", b"BEGIN\0"),
        postgres(b"Q", b"COPY staging FROM STDIN (FORMAT BINARY)\0"),
        postgres(b"d", b"COMMIT\0"),
        postgres(b"Q", b"COMMIT\0"),
    ]
    stream = start + postgres(b"Q", b"COMMIT\0") + b"".join(batch)
    seen = [found for byte in stream for found in watch.feed(True, bytes([byte])) if found[1]]
    assert [found.moment for _, found in seen if found] == [Moment.COPY, Moment.COMMIT]
    assert watch.unknown
    (answer,) = watch.feed(False, postgres(b"C", b"COMMIT\0"))
    assert answer[1] is not None
    assert answer[1].moment is Moment.COMMITTED
    assert not watch.unknown
