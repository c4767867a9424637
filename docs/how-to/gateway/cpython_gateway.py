"""A small gateway, complete: gauge, isolation valve and pump of one circuit, by MQTT to Holdfast.

    python cpython_gateway.py gateway.json

For Linux, Python 3.11 and paho-mqtt 2. Inputs and outputs are files that hold one value each, as Linux offers
converters and pins (sysfs); put your own wiring into `Bench` of cpython_valve.py, which belongs to this
program. Everything else stays as it is.

See ../connect-a-gateway.md.
"""

from __future__ import annotations

import json
import logging
import os
import queue
import random
import secrets
import signal
import sqlite3
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from cpython_valve import TICK_S, Bench, Order, Valve, checked, uptime
from paho.mqtt.enums import CallbackAPIVersion

SOFTWARE = "cpython-gateway 1"
LATE_PACK = 500
"""Records in a pack of stored readings; the contract allows 100 to 2,000 and 64 KiB."""
LATE_AT_ONCE = 20
"""Packs of stored readings that may await their receipt."""
IDS = 1000
"""Orders that a session may bring; then a new session begins, so that no id is ever forgotten within one."""
BACK_OFF_S = (1.0, 60.0)

log = logging.getLogger("gateway")


@dataclass(frozen=True)
class Config:
    """What `gateway.json` holds; those without a default must be there."""

    host: str
    port: int
    name: str
    password: str
    bench: str
    spool: str
    ca_file: str | None = None
    gauge: str = "gauge-1"
    valve: str = "valve-1"
    pump: str = "pump-1"
    range_high_pa: float = 13_000.0
    interval_s: float = 10.0
    states_s: float = 60.0
    batch_s: float = 5.0
    resend_s: float = 30.0
    late_after_s: float = 60.0
    travel_s: float = 30.0
    most_records: int = 1_000_000
    clock_flag: str | None = None
    """A file that is there once the time of day is right, such as /run/systemd/timesync/synchronized."""


# The spool ----------------------------------------------------------------------------------------------

TABLES = """
CREATE TABLE IF NOT EXISTS state (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS reading (
    id INTEGER PRIMARY KEY AUTOINCREMENT, instrument TEXT NOT NULL, boot TEXT NOT NULL,
    uptime REAL NOT NULL, time REAL, record TEXT NOT NULL);
CREATE INDEX IF NOT EXISTS reading_of ON reading (instrument, id);
CREATE TABLE IF NOT EXISTS pack (
    id INTEGER PRIMARY KEY AUTOINCREMENT, instrument TEXT NOT NULL, boot TEXT NOT NULL, seq INTEGER NOT NULL,
    uptime REAL NOT NULL, time REAL, records TEXT NOT NULL, n INTEGER NOT NULL,
    UNIQUE (instrument, boot, seq));
CREATE TABLE IF NOT EXISTS outcome (
    id INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT NOT NULL, body TEXT NOT NULL);
"""


@dataclass(frozen=True)
class Pack:
    """A numbered pack; its records and number never change. `time`: None while the clock was not set."""

    id: int
    instrument: str
    boot: str
    seq: int
    uptime: float
    time: float | None
    records: list[dict[str, Any]]


class Spool:
    """What is not receipted yet: a database that is on the disk before a reading counts as kept.

    A reading becomes part of a pack when there is a connection, and is forgotten after the pack's receipt.
    """

    def __init__(self, path: str, most_records: int) -> None:
        self._db = sqlite3.connect(path, isolation_level=None)
        # FULL: each commit waits for the disk, so that a power cut takes nothing that was kept.
        self._db.executescript("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;" + TABLES)
        self._most = most_records
        self.boot = self._begin()
        self.held = self._one(
            "SELECT (SELECT count(*) FROM reading) + (SELECT coalesce(sum(n), 0) FROM pack)"
        )
        self.dropped = int(self.state("dropped") or 0)

    def _begin(self) -> str:
        """Name of this boot: packs are numbered anew when the machine booted, or the spool is a new one."""
        machine = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
        known, _, name = (self.state("boot") or "").partition(" ")
        if known == machine:
            return name
        name = secrets.token_hex(4)
        self._db.execute("DELETE FROM state WHERE key LIKE 'seq %'")
        self._put("boot", f"{machine} {name}")
        # How long ago readings of an earlier boot without a time were taken, nobody knows any more.
        lost = self._one("SELECT count(*) FROM reading WHERE time IS NULL")
        lost += self._one("SELECT coalesce(sum(n), 0) FROM pack WHERE time IS NULL")
        self._db.execute("DELETE FROM reading WHERE time IS NULL")
        self._db.execute("DELETE FROM pack WHERE time IS NULL")
        self._count_dropped(lost, "taken before the clock was set, and then the machine went down")
        return name

    def keep(self, instrument: str, record: dict[str, Any], up: float, now: float | None) -> None:
        """Store a reading; when this returns it is on the disk."""
        self._db.execute(
            "INSERT INTO reading (instrument, boot, uptime, time, record) VALUES (?, ?, ?, ?, ?)",
            (instrument, self.boot, up, now, json.dumps(record)),
        )
        self.held += 1
        if self.held > self._most:
            self._make_room()

    def _make_room(self) -> None:
        row = self._db.execute("SELECT id, n FROM pack ORDER BY id LIMIT 1").fetchone()
        if row is not None:
            self._db.execute("DELETE FROM pack WHERE id = ?", (row[0],))
        else:
            self._db.execute("DELETE FROM reading WHERE id = (SELECT min(id) FROM reading)")
        self.held -= row[1] if row else 1
        self._count_dropped(row[1] if row else 1, "the spool is full")

    def _count_dropped(self, n: int, why: str) -> None:
        if n:
            self.dropped = int(self.state("dropped") or 0) + n
            self._put("dropped", str(self.dropped))
            log.warning("%d readings dropped in all, %d now: %s", self.dropped, n, why)

    def make_packs(self, batch_s: float, late_after_s: float, up: float) -> None:
        """Number what was collected; fresh readings and old ones, dated ones and others are not mixed."""
        for (instrument,) in self._db.execute("SELECT DISTINCT instrument FROM reading").fetchall():
            while self._make_pack(instrument, batch_s, late_after_s, up):
                pass

    def _make_pack(self, instrument: str, batch_s: float, late_after_s: float, up: float) -> bool:
        rows = self._db.execute(
            "SELECT id, boot, uptime, time, record FROM reading WHERE instrument = ? ORDER BY id LIMIT ?",
            (instrument, LATE_PACK),
        ).fetchall()

        def kind(row: tuple[Any, ...]) -> tuple[bool, bool]:
            return row[3] is None, row[1] != self.boot or up - row[2] > late_after_s

        if not rows or (rows[0][1] == self.boot and up - rows[0][2] < batch_s):
            return False
        taken = [row for row in rows if kind(row) == kind(rows[0])]
        taken = taken[: next((i for i, row in enumerate(rows) if kind(row) != kind(rows[0])), len(rows))]
        first = taken[0]
        records = []
        for _, _, at_up, at, record in taken:
            # Dated: seconds after the first. Not dated: the uptime, and its age is reckoned at each sending.
            records.append({**json.loads(record), "t": round(at - first[3], 3) if at is not None else at_up})
        self._db.execute("BEGIN")
        seq = int(self.state(f"seq {instrument} {self.boot}") or 0) + 1
        self._put(f"seq {instrument} {self.boot}", str(seq))
        self._db.execute(
            "INSERT INTO pack (instrument, boot, seq, uptime, time, records, n) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (instrument, self.boot, seq, first[2], first[3], json.dumps(records), len(records)),
        )
        self._db.executemany("DELETE FROM reading WHERE id = ?", [(row[0],) for row in taken])
        self._db.execute("COMMIT")
        return True

    def waiting(self) -> list[tuple[int, float, str]]:
        """Number in the spool, uptime and boot of each pack without a receipt, oldest first."""
        return self._db.execute("SELECT id, uptime, boot FROM pack ORDER BY id").fetchall()

    def pack(self, number: int) -> Pack:
        """A pack."""
        row = self._db.execute(
            "SELECT id, instrument, boot, seq, uptime, time, records FROM pack WHERE id = ?", (number,)
        ).fetchone()
        number, instrument, boot, seq, up, at, records = row
        return Pack(number, instrument, boot, seq, up, at, json.loads(records))

    def receipt(self, body: dict[str, Any]) -> None:
        """Forget what Holdfast stored; what it refused is in its quarantine and need not come again."""
        gone = [(-1, body["upto"]), *body["have"], *((seq, seq) for seq in body["refused"])]
        for first, last in gone:
            where = "instrument = ? AND boot = ? AND seq BETWEEN ? AND ?"
            key = (body["instrument"], body["boot"], first, last)
            self.held -= self._one(f"SELECT coalesce(sum(n), 0) FROM pack WHERE {where}", key)  # noqa: S608
            self._db.execute(f"DELETE FROM pack WHERE {where}", key)  # noqa: S608
        if body["refused"]:
            log.warning("packs %s of %s were refused", body["refused"], body["instrument"])

    def put_outcome(self, topic: str, body: dict[str, Any]) -> None:
        """Keep an outcome until the broker has it."""
        self._db.execute("INSERT INTO outcome (topic, body) VALUES (?, ?)", (topic, json.dumps(body)))

    def outcomes(self) -> list[tuple[int, str, str]]:
        """Those that the broker has not acknowledged."""
        return self._db.execute("SELECT id, topic, body FROM outcome ORDER BY id").fetchall()

    def outcome_sent(self, number: int) -> None:
        """The broker has it."""
        self._db.execute("DELETE FROM outcome WHERE id = ?", (number,))

    def state(self, key: str) -> str | None:
        """A value that outlives the process."""
        row = self._db.execute("SELECT value FROM state WHERE key = ?", (key,)).fetchone()
        return row[0] if row else None

    def _put(self, key: str, value: str) -> None:
        self._db.execute("INSERT OR REPLACE INTO state (key, value) VALUES (?, ?)", (key, value))

    def _one(self, query: str, values: tuple[Any, ...] = ()) -> int:
        return int(self._db.execute(query, values).fetchone()[0])


# The connection -----------------------------------------------------------------------------------------


class Connection:
    """One connection, never used again after it: its session stands in its last will."""

    def __init__(self, config: Config) -> None:
        self.session = secrets.token_hex(6)
        self.inbox: queue.SimpleQueue[tuple[str, bytes, bool, float]] = queue.SimpleQueue()
        self.acknowledged: queue.SimpleQueue[int] = queue.SimpleQueue()
        self.ready = False
        self.lost = False
        self.began = uptime()
        self._name = config.name
        client = self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=config.name, clean_session=True, reconnect_on_failure=False
        )
        client.username_pw_set(config.name, config.password)
        if config.ca_file:
            client.tls_set(config.ca_file)
        will = {"online": False, "session": self.session}
        client.will_set(f"hf/1/{config.name}/presence", json.dumps(will), qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = lambda _, __, m: self.inbox.put((m.topic, bytes(m.payload), m.retain, uptime()))
        client.on_publish = lambda _, __, mid, ___, ____: self.acknowledged.put(mid)
        client.on_disconnect = lambda *_: self._end()
        client.on_connect_fail = lambda *_: self._end()
        client.connect_async(config.host, config.port, keepalive=20)
        client.loop_start()

    def publish(self, topic: str, body: str, retain: bool = False) -> int:
        """Publish with QoS 1; the number comes back in `acknowledged` once the broker has it."""
        return self._client.publish(topic, body, qos=1, retain=retain).mid

    def close(self, farewell: tuple[str, str] | None = None) -> None:
        """Leave; in an orderly way the broker keeps the will to itself, so say it before."""
        if farewell is not None and not self.lost:
            self._client.publish(*farewell, qos=1, retain=True).wait_for_publish(2.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: mqtt.Client, _: Any, __: Any, reason: Any, ___: Any) -> None:
        if reason.is_failure:
            log.warning("the broker refuses: %s", reason)
            self._end()
        else:
            client.subscribe([(f"hf/1/{self._name}/receipt", 1), (f"hf/1/{self._name}/+/order", 1)])

    def _on_subscribe(self, _: mqtt.Client, __: Any, ___: int, reasons: list[Any], ____: Any) -> None:
        # A SUBACK may refuse: a gateway that cannot hear its receipts must not seem to work.
        if any(reason.is_failure for reason in reasons):
            log.warning("the broker refuses the subscriptions")
            self._end()
        self.ready = True

    def _end(self) -> None:
        self.lost = True


# The gateway --------------------------------------------------------------------------------------------


class Gateway:
    """Reads, keeps, sends, obeys."""

    def __init__(self, config: Config) -> None:
        self.config = config
        self.bench = Bench(config.bench)
        self.spool = Spool(config.spool, config.most_records)
        self.valve = Valve(self.bench, config.range_high_pa, config.travel_s, self.spool.boot)
        self.stop = threading.Event()
        self._connection: Connection | None = None
        self._announced = False
        self._pause_s = BACK_OFF_S[0]
        self._again_at = 0.0
        self._measure_at = self._states_at = 0.0
        self._last: dict[str, Any] = {}
        self._sent: dict[int, float] = {}
        self._outcome_of: dict[int, int] = {}
        self._ids: dict[str, tuple[str, str] | None] = {}

    def run(self) -> None:
        """Go round until told to stop."""
        self.valve.start()
        while not self.stop.wait(TICK_S):
            self.measure()
            self.talk()
        if self._connection is not None:
            self._connection.close(self._presence(online=False) if self._announced else None)
        self.bench.drive(False)

    def now(self) -> float | None:
        """The time of day [s], or None before the clock is set."""
        flag = self.config.clock_flag
        return time.time() if flag is None or os.path.exists(flag) else None

    def measure(self) -> None:
        """Take readings when it is time; changes of valve, pump and switch at once."""
        up, now, config = uptime(), self.now(), self.config
        if up >= self._measure_at:
            self._measure_at = up + config.interval_s
            pressure = self.bench.pressure_pa()
            if pressure is None:
                self._keep(config.gauge, {"n": "fault", "vb": True}, up, now)
            elif pressure >= config.range_high_pa:
                self._keep(config.gauge, {"n": "overrange", "vb": True}, up, now)
            else:
                self._keep(config.gauge, {"n": "pressure", "u": "Pa", "v": pressure}, up, now)
        on_time = up >= self._states_at
        if on_time:
            self._states_at = up + config.states_s
        states: tuple[tuple[str, dict[str, Any]], ...] = (
            (config.valve, {"n": "valve", "vs": self.valve.position}),
            (config.pump, {"n": "pump", "vb": self.bench.pump_runs()}),
            (config.valve, {"n": "hands", "vb": self.bench.hands()}),
        )
        for instrument, record in states:
            if on_time or self._last.get(record["n"]) != record:
                self._last[record["n"]] = record
                self._keep(instrument, record, up, now)

    def _keep(self, instrument: str, record: dict[str, Any], up: float, now: float | None) -> None:
        at = None if now is None else round(now, 3)
        self.spool.keep(instrument, record, up, at)
        log.debug("kept %s", json.dumps({"instrument": instrument, "time": at, **record}))

    def talk(self) -> None:
        """Connect or part, take in what came, send what is due."""
        while not self.valve.outcomes.empty():
            number, result, reason = self.valve.outcomes.get()
            self._ids[number] = (result, reason)
            self._answer(self.config.valve, number, result, reason)
        connection = self._connection
        if connection is not None and (connection.lost or len(self._ids) >= IDS):
            self._part(connection)
        elif connection is None:
            if uptime() >= self._again_at:
                self._connection, self._ids = Connection(self.config), {}
        elif not connection.ready:
            connection.lost = uptime() - connection.began > 30.0
        else:
            self._serve(connection)

    def _part(self, connection: Connection) -> None:
        connection.close()
        self._connection, self._announced, self.valve.session = None, False, ""
        self._sent.clear()
        self._outcome_of.clear()
        # Longer and longer, and not all gateways at the same moment after a broker's restart.
        self._again_at = uptime() + self._pause_s * random.uniform(0.5, 1.0)
        self._pause_s = min(2 * self._pause_s, BACK_OFF_S[1])

    def _serve(self, connection: Connection) -> None:
        if not self._announced:
            self._announced, self._pause_s = True, BACK_OFF_S[0]
            self.valve.session = connection.session
            connection.publish(*self._presence(online=True), retain=True)
        while not connection.inbox.empty():
            self._take(*connection.inbox.get())
        while not connection.acknowledged.empty():
            number = self._outcome_of.pop(connection.acknowledged.get(), None)
            if number is not None:
                self.spool.outcome_sent(number)
        for number, topic, body in self.spool.outcomes():
            if number not in self._outcome_of.values():
                self._outcome_of[connection.publish(topic, body)] = number
        self._send_packs(connection)

    def _send_packs(self, connection: Connection) -> None:
        config, up = self.config, uptime()
        self.spool.make_packs(config.batch_s, config.late_after_s, up)
        late_ones = 0
        waiting = self.spool.waiting()
        self._sent = {number: self._sent[number] for number, *_ in waiting if number in self._sent}
        for number, at_up, boot in waiting:
            late = boot != self.spool.boot or up - at_up > config.late_after_s
            late_ones += late
            if late and late_ones > LATE_AT_ONCE:
                continue
            if number not in self._sent or up - self._sent[number] > config.resend_s:
                self._sent[number] = up
                pack = self.spool.pack(number)
                topic = f"hf/1/{config.name}/{pack.instrument}/{'late' if late else 'data'}"
                connection.publish(topic, self._payload(pack, up))

    def _payload(self, pack: Pack, up: float) -> str:
        """SenML: the same number and the same records at each sending, `sent` anew."""
        head: list[dict[str, Any]] = [{"n": "seq", "v": pack.seq}, {"n": "boot", "vs": pack.boot}]
        records = pack.records
        if pack.time is None:
            # Not 2^28 s yet: such a time counts from the arrival (RFC 8428, section 4.5.3).
            records = [{**record, "t": round(record["t"] - up, 3)} for record in records]
        else:
            head[0]["bt"] = pack.time
        now = self.now()
        if now is not None:
            # Absolute, whatever the base time is: it is added to every t.
            head.append({"n": "sent", "v": round(now, 3)})
        if self.spool.dropped and pack.instrument == self.config.gauge:
            head.append({"n": "dropped", "v": self.spool.dropped})
        return json.dumps([*head, *records])

    def _presence(self, online: bool) -> tuple[str, str]:
        assert self._connection is not None
        body: dict[str, Any] = {"online": online, "session": self._connection.session}
        if online:
            body |= {"boot": self.spool.boot, "software": SOFTWARE}
            now = self.now()
            if now is not None:
                body["at"] = round(now, 3)
        return f"hf/1/{self.config.name}/presence", json.dumps(body)

    def _take(self, topic: str, payload: bytes, retained: bool, came: float) -> None:
        try:
            body = json.loads(payload)
            if topic.endswith("/receipt"):
                self.spool.receipt(body)
            elif not retained:
                self._order(topic.split("/")[3], body, came)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            log.warning("a message on %s cannot be used: %s %s", topic, type(error).__name__, error)

    def _order(self, instrument: str, body: dict[str, Any], came: float) -> None:
        number, action = str(body["id"])[:200], body["action"]
        if number in self._ids:
            # It comes until its outcome is known, and is never acted on twice.
            self._answer(instrument, number, *(self._ids[number] or ("refused", "repeated id")))
        elif instrument != self.config.valve or action not in ("open", "close"):
            self._answer(instrument, number, "refused", "there is nothing here that could do this")
        else:
            self._ids[number] = None
            self.valve.orders.put(Order(checked(body, number), came))

    def _answer(self, instrument: str, number: str, result: str, reason: str) -> None:
        body: dict[str, Any] = {"id": number, "result": result, "reason": reason}
        now = self.now()
        if now is not None:
            body |= {"at": round(now, 3)}
        self.spool.put_outcome(f"hf/1/{self.config.name}/{instrument}/outcome", body)
        log.info("order %s: %s %s", number, result, reason)


def main() -> None:
    """Run the gateway of the configuration file named on the command line."""
    logging.basicConfig(stream=sys.stdout, level=logging.DEBUG, format="%(message)s")
    gateway = Gateway(Config(**json.loads(Path(sys.argv[1]).read_text())))
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: gateway.stop.set())
    gateway.run()


if __name__ == "__main__":
    main()
