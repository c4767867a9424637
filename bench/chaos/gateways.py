"""Gateways of our own making: publish numbered packs, keep them until the promise they rely on, start anew.

Two kinds: one keeps a pack until its receipt, the other, which speaks no receipts, until the broker's PUBACK.
Of either kind some have no time of day and send times that count from the arrival (RFC 8428, section 4.5.3).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import random
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from bench.chaos import mqtt
from bench.chaos.ledger import Ledger, Line, Pack

WINDOW = 40
"""Packs on their way without a PUBACK."""
AGAIN_S = 5.0
"""After so long without a receipt a pack goes out again, then ever more rarely; the contract says 30 s."""
KEEPALIVE_S = 6
DEAF_S = 4.0
"""A connection on which nothing has come for so long is given up."""
TICK_S = 0.05
LATE_US = 3_600_000_000
"""The second instrument's readings are this old: they go out on ``late``."""
STEP_US = 2_000


@dataclass(frozen=True, slots=True)
class Login:
    """Where a gateway connects, and as whom."""

    port: Callable[[], int]
    name: str
    password: str


@dataclass(slots=True)
class _Spool:
    """One instrument."""

    line: Line
    late: bool
    next_reading: int = 1
    next_seq: int = 1
    next_due_s: float = 0.0
    last_us: int = 0
    waiting: list[Pack] = field(default_factory=list)


class Gateway:
    """One gateway with two gauges.

    Parameters
    ----------
    by_receipt : bool
        Keeps a pack until its receipt, else until the broker's PUBACK.
    has_clock : bool
        Sends absolute times.
    interval_s : float
        Between two packs of a gauge [s].
    size : int
        Readings in a pack.
    """

    def __init__(
        self, login: Login, ledger: Ledger, rng: random.Random, *, by_receipt: bool, has_clock: bool,
        interval_s: float, size: int,
    ) -> None:  # fmt: skip
        self.login = login
        self.producing = True
        self.by_receipt = by_receipt
        self.has_clock = has_clock
        self._ledger = ledger
        self._rng = rng
        self._interval_s = interval_s
        self._size = size
        self._boots = 0
        self._boot = self._new_boot()
        self._spools = [_Spool((login.name, name), name == "g2") for name in ("g1", "g2")]
        for spool in self._spools:
            spool.next_due_s = time.monotonic() + rng.random() * interval_s
            if not has_clock:
                ledger.relative.add(spool.line)
            if not by_receipt:
                ledger.by_acknowledgement.add(spool.line)
        self._writer: asyncio.StreamWriter | None = None
        self._flying: dict[int, Pack] = {}
        self._again_s: dict[Pack, tuple[float, float]] = {}
        """When a pack goes out again, and how long it then waits."""
        self._pid = 0
        self._heard_s = 0.0

    @property
    def idle(self) -> bool:
        """Whether it waits for no promise."""
        return not any(spool.waiting for spool in self._spools)

    @property
    def oldest_waiting_s(self) -> float:
        """When the oldest pack was made that waits for its promise, on a steady clock [s]; infinite: none."""
        return min((spool.waiting[0].made_s for spool in self._spools if spool.waiting), default=math.inf)

    def reboot(self, *, keeps_spool: bool) -> None:
        """Lose the power: the connection, the numbers, and perhaps what was kept."""
        self._boot = self._new_boot()
        for spool in self._spools:
            spool.next_seq = 1
            if not keeps_spool:
                for pack in spool.waiting:
                    self._ledger.forget(pack)
                spool.waiting.clear()
        self.cut()

    def cut(self) -> None:
        """Lose the connection."""
        if self._writer is not None:
            self._writer.transport.abort()

    async def live(self) -> None:
        """Go on until cancelled."""
        while True:
            with contextlib.suppress(OSError, asyncio.IncompleteReadError, TimeoutError):
                await self._serve()
            self._ledger.acknowledgements_lost += len(self._flying)
            self._flying.clear()
            self._again_s.clear()
            ends = time.monotonic() + self._rng.uniform(0.2, 0.8)
            while time.monotonic() < ends:
                self._measure()
                await asyncio.sleep(TICK_S)

    def _new_boot(self) -> str:
        self._boots += 1
        return f"b{self._boots}"

    async def _serve(self) -> None:
        """One connection."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self.login.port())
        self._writer = writer
        try:
            name = self.login.name
            writer.write(mqtt.connect(name, name, self.login.password, KEEPALIVE_S))
            writer.write(mqtt.subscribe(f"hf/1/{name}/receipt", self._next_pid()))
            self._heard_s = time.monotonic()
            ready = asyncio.Event()
            listening = asyncio.create_task(self._listen(reader, writer, ready))
            try:
                await asyncio.wait_for(ready.wait(), DEAF_S)
                self._say_online(writer)
                asked_s = time.monotonic()
                while not listening.done():
                    self._measure()
                    self._publish(writer)
                    if time.monotonic() - asked_s > DEAF_S / 3:
                        asked_s = time.monotonic()
                        writer.write(mqtt.ping())
                    if time.monotonic() - self._heard_s > DEAF_S:
                        return
                    await asyncio.sleep(TICK_S)
                await listening  # raises what ended it
            finally:
                listening.cancel()
        finally:
            self._writer = None
            writer.transport.abort()

    def _say_online(self, writer: asyncio.StreamWriter) -> None:
        session = f"{self._rng.getrandbits(48):012x}"
        told = {"online": True, "session": session, "boot": self._boot, "software": "chaos 1"}
        topic = f"hf/1/{self.login.name}/presence"
        writer.write(mqtt.publish(topic, json.dumps(told).encode(), self._next_pid(), retain=True))

    def _measure(self) -> None:
        """Make the packs that are due; they wait whether there is a connection or not."""
        now_s = time.monotonic()
        for spool in self._spools:
            while self.producing and spool.next_due_s <= now_s:
                spool.next_due_s += self._interval_s
                begins_us = time.time_ns() // 1_000_000 * 1000 - (LATE_US if spool.late else 0)
                begins_us = max(begins_us, spool.last_us + STEP_US)
                numbers = (spool.next_seq, spool.next_reading, self._size)
                pack = Pack(spool.line, self._boot, *numbers, begins_us, STEP_US, now_s)
                spool.next_seq += 1
                spool.next_reading += self._size
                spool.last_us = pack.times_us[-1]
                self._ledger.make(pack)
                spool.waiting.append(pack)

    def _publish(self, writer: asyncio.StreamWriter) -> None:
        now_s = time.monotonic()
        for spool in self._spools:
            for pack in spool.waiting:
                if len(self._flying) >= WINDOW:
                    return
                due_s, wait_s = self._again_s.get(pack, (-math.inf, AGAIN_S))
                if now_s < due_s:
                    continue
                self._again_s[pack] = (now_s + wait_s if self.by_receipt else math.inf, 2 * wait_s)
                pid = self._next_pid()
                self._flying[pid] = pack
                self._ledger.send(pack)
                topic = f"hf/1/{pack.line[0]}/{pack.line[1]}/{'late' if spool.late else 'data'}"
                writer.write(mqtt.publish(topic, self._payload(pack), pid))

    def _payload(self, pack: Pack) -> bytes:
        """SenML (RFC 8428): the same number and readings at each sending."""
        if self.has_clock:
            times = [0.0] + [k * pack.step_us / 1e6 for k in range(1, pack.size)]
            head: dict[str, object] = {"bt": pack.begins_us / 1e6}
        else:
            age_s = (time.time_ns() // 1000 - pack.begins_us) / 1e6
            times = [round(k * pack.step_us / 1e6 - age_s, 6) for k in range(pack.size)]
            head = {}
        numbers = [{**head, "n": "seq", "v": pack.seq}, {"n": "boot", "vs": pack.boot}]
        records = [
            {"n": "pressure", "u": "Pa", "v": value, "t": at}
            for value, at in zip(pack.values, times, strict=True)
        ]
        return json.dumps([*numbers, *records]).encode()

    async def _listen(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, ready: asyncio.Event
    ) -> None:
        packets = mqtt.Packets()
        while data := await reader.read(1 << 16):
            self._heard_s = time.monotonic()
            for packet in packets.feed(data):
                kind = mqtt.kind(packet)
                if kind == mqtt.CONNACK and mqtt.body(packet)[1]:
                    return
                if kind == mqtt.SUBACK:
                    if mqtt.body(packet)[2] & 0x80:
                        return
                    ready.set()
                elif kind == mqtt.PUBACK:
                    self._acknowledged(mqtt.acknowledged(packet))
                elif kind == mqtt.PUBLISH:
                    message = mqtt.published(packet)
                    if message.pid:
                        writer.write(mqtt.puback(message.pid))
                    self._receipt(message.payload)

    def _acknowledged(self, pid: int) -> None:
        pack = self._flying.pop(pid, None)
        if pack is None:
            return
        self._ledger.acknowledge(pack)
        if not self.by_receipt:
            self._settle([pack])

    def _receipt(self, payload: bytes) -> None:
        told = json.loads(payload)
        line = (self.login.name, told["instrument"])
        runs = [(1, told["upto"]), *((first, last) for first, last in told["have"])]
        settled = self._ledger.receipt(line, told["boot"], runs, told["refused"])
        if self.by_receipt:
            self._settle(settled)

    def _settle(self, packs: list[Pack]) -> None:
        done = set(packs)
        for spool in self._spools:
            spool.waiting = [pack for pack in spool.waiting if pack not in done]
        for pack in done:
            self._again_s.pop(pack, None)

    def _next_pid(self) -> int:
        for _ in range(65_535):
            self._pid = self._pid % 65_535 + 1
            if self._pid not in self._flying:
                return self._pid
        raise RuntimeError("no packet identifier is free")
