# A small gateway in MicroPython: gauge, isolation valve and pump of one circuit, by MQTT to Holdfast.
#
# For a board with Wi-Fi or Ethernet, a file system on its flash, and mip.install("umqtt.simple"). Connect
# the network in boot.py, copy this file as main.py, micropython_valve.py and a gateway.json beside it. No
# threads: one loop, and a timer that closes the valve whatever the loop waits for.
# See ../connect-a-gateway.md.

import gc
import os
import random
import time

import machine
from machine import Timer
from micropython_valve import Bench, Valve
from umqtt.simple import MQTTClient

try:
    import ujson as json
except ImportError:
    import json

SOFTWARE = "micropython-gateway 1"
LATE_PACK = 200  # records in a segment: 10 kB in memory while it is sent; the contract asks for 100 to 2,000
LATE_AT_ONCE = 4
IDS = 100  # orders in a session; then a new one begins, so that no id is forgotten within one
STALL_MS = (
    180000  # the loop has stood still for so long (umqtt waits for ever): start anew, with the valve closed
)
BACK_OFF_MS = (1000, 60000)
EARLIEST = 1767225600  # 2026-01-01: a board without the time begins at 1970 or 2000
# Seconds that this port's epoch lies after Unix's.
EPOCH = 946684800 if time.gmtime(0)[0] == 2000 else 0

CONFIG = {
    "gauge": "gauge-1", "valve": "valve-1", "pump": "pump-1",
    "gauge_pin": 34, "pump_pin": 25, "open_pin": 26, "closed_pin": 27, "hands_pin": 33, "coil_pin": 32,
    "low_pa": 1.0, "decades": 4.0,
    "interval_ms": 10000, "states_ms": 60000, "batch_ms": 5000, "resend_ms": 30000,
    "late_after_ms": 60000, "travel_ms": 30000, "most_segments": 150, "ca_der": None, "spool": "spool",
}  # fmt: skip
# low_pa, decades: the gauge's voltage is logarithmic, from low_pa over so many decades. See its data sheet.


def tls(ca_der):
    """None for a plain connection; else only a broker is accepted that this authority vouches for.

    Its certificate has dates: the board must know the time before it connects.
    """
    if ca_der is None:
        return None
    import ssl

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.verify_mode = ssl.CERT_REQUIRED
    with open(ca_der, "rb") as f:
        context.load_verify_locations(cadata=f.read())
    return context


class Uptime:
    """Milliseconds since the boot: ticks_ms alone wraps after days."""

    def __init__(self):
        self._last = time.ticks_ms()
        self._ms = 0

    def ms(self):
        now = time.ticks_ms()
        self._ms += time.ticks_diff(now, self._last)
        self._last = now
        return self._ms


def unix_ms():
    """The time of day [ms], 0 before it is set. Whole numbers: many boards' floats cannot hold a second."""
    s = time.time()
    if s + EPOCH < EARLIEST:
        return 0
    return int(s + EPOCH) * 1000


class Clock:
    """Unix milliseconds from the uptime, so that two readings in one second keep their distance."""

    def __init__(self, uptime):
        self._uptime = uptime
        self._offset = None

    def ms(self):
        now = unix_ms()
        if not now:
            return 0
        up = self._uptime.ms()
        if self._offset is None or abs(up + self._offset - now) > 1500:  # set anew meanwhile
            self._offset = now - up
        return up + self._offset


# The spool ------------------------------------------------------------------------------------------------
#
# A ring of files, one a pack: BOOT_INSTRUMENT_SEQ. A pack has its number from its first record on, and what a
# power cut leaves of it is the pack. First line: "abs BASE_MS" or "rel"; then a line a record: "MS NAME KEY
# VALUE", MS after the base or of the uptime. Each line is flushed: littlefs then has it.


class Segment:
    def __init__(self, name):
        self.name = name
        boot, instrument, seq = name.split("_")
        self.boot, self.instrument, self.seq = boot, instrument, int(seq)
        self.n = 0
        self.first_ms = 0  # uptime at its first record
        self.relative = False
        self.sent_ms = None
        self.file = None


class Spool:
    def __init__(self, folder, most_segments):
        self._folder = folder
        self._most = most_segments
        self._open = {}  # instrument: segment that is being written
        try:
            os.mkdir(folder)
        except OSError:
            pass
        number = self._number("boots") + 1
        self._write_number("boots", number)
        # Counted and random: a board whose flash was wiped must not use a number of its earlier life.
        self.boot = "%d-%04x" % (number, random.getrandbits(16))
        self.dropped = self._number("dropped")
        self._seq = {}
        self.segments = []
        found = [Segment(name) for name in os.listdir(folder) if name.count("_") == 2]
        for segment in sorted(found, key=lambda s: (int(s.boot.split("-")[0]), s.seq)):
            self._find(segment)

    def _find(self, segment):
        """A segment of an earlier boot. Without the time nobody knows any more how old its records are."""
        with open(self._path(segment.name)) as f:
            segment.relative = not f.readline().startswith("abs")
            segment.n = sum(1 for line in f if line.endswith("\n"))
        if segment.relative or not segment.n:
            if segment.n:
                self._drop(segment.n, "taken before the clock was set, and then the board went down")
            os.remove(self._path(segment.name))
        else:
            self.segments.append(segment)

    def keep(self, instrument, name, key, value, up, now):
        """Store a record; when this returns it is in the flash."""
        segment = self._open.get(instrument)
        if segment and (segment.n >= LATE_PACK or segment.relative != (now == 0)):
            self.close(instrument)
            segment = None
        if segment is None:
            segment = self._begin(instrument, up, now)
        ms = up if segment.relative else now - segment.base
        segment.file.write("%d %s %s %s\n" % (ms, name, key, value))
        segment.file.flush()
        sync()
        segment.n += 1

    def _begin(self, instrument, up, now):
        while len(self.segments) >= self._most:
            self._drop(self.forget(self.segments[0]), "the spool is full")
        seq = self._seq[instrument] = self._seq.get(instrument, 0) + 1
        segment = Segment("%s_%s_%d" % (self.boot, instrument, seq))
        segment.relative, segment.first_ms, segment.base = now == 0, up, now
        segment.file = open(self._path(segment.name), "w")
        segment.file.write("rel\n" if segment.relative else "abs %d\n" % now)
        self._open[instrument] = segment
        self.segments.append(segment)
        return segment

    def close(self, instrument):
        """The pack is complete."""
        segment = self._open.pop(instrument, None)
        if segment:
            segment.file.close()
            segment.file = None

    def due(self, up, batch_ms):
        """Close what has waited for long enough; give back the complete packs."""
        for segment in list(self._open.values()):
            if up - segment.first_ms >= batch_ms:
                self.close(segment.instrument)
        return [s for s in self.segments if s.file is None]

    def lines(self, segment):
        """Base [ms] and records (ms, name, key, value); a line torn by a power cut is none."""
        with open(self._path(segment.name)) as f:
            first = f.readline().split()
            base = int(first[1]) if first[0] == "abs" else 0
            return base, [line.rstrip("\n").split(" ", 3) for line in f if line.endswith("\n")]

    def forget(self, segment):
        """It is stored elsewhere, or there is no more room; says how many records go."""
        if segment.file:
            self.close(segment.instrument)
        self.segments.remove(segment)
        os.remove(self._path(segment.name))
        return segment.n

    def _drop(self, n, why):
        self.dropped += n
        self._write_number("dropped", self.dropped)
        print("dropped", self.dropped, "in all,", n, "now:", why)

    def _path(self, name):
        return self._folder + "/" + name

    def _number(self, name):
        try:
            with open(self._path(name)) as f:
                return int(f.read())
        except (OSError, ValueError):
            return 0

    def _write_number(self, name, number):
        """Whole or not at all: written beside, then renamed."""
        with open(self._path("new"), "w") as f:
            f.write(str(number))
            f.flush()
        os.rename(self._path("new"), self._path(name))
        sync()


def sync():
    if hasattr(os, "sync"):
        os.sync()


# The gateway ----------------------------------------------------------------------------------------------


class Gateway:
    def __init__(self, config):
        self.c = c = dict(CONFIG)
        c.update(config)
        self.uptime = Uptime()
        self.clock = Clock(self.uptime)
        self.bench = Bench(c)  # first of all: the coil is without current
        self.spool = Spool(c["spool"], c["most_segments"])
        self.valve = Valve(self.bench, self.uptime, c["travel_ms"], self.spool.boot)
        self.client = None
        self._pause = BACK_OFF_MS[0]
        self._again = 0
        self._measure_at = self._states_at = 0
        self._ping_at = 0
        self._last = {}
        self._ids = {}  # order: its outcome, once there is one
        self._outcomes = []  # (topic, body) that the broker has not acknowledged
        self._turned = time.ticks_ms()

    def watch(self, timer):
        """The timer's call: the valve's guard, and an end to standing still."""
        self.bench.guard()
        if time.ticks_diff(time.ticks_ms(), self._turned) > STALL_MS:
            machine.reset()

    def run(self):
        timer = Timer(0)
        timer.init(period=100, mode=Timer.PERIODIC, callback=self.watch)
        while True:
            self.turn()
            time.sleep_ms(20)

    def turn(self):
        self._turned = time.ticks_ms()
        self.valve.turn()
        self.measure()
        while self.valve.outcomes:
            number, result, reason = self.valve.outcomes.pop(0)
            self._ids[number] = (result, reason)
            self.answer(self.c["valve"], number, result, reason)
        try:
            self.talk()
        except (OSError, MQTTError) as error:
            print("no connection:", error)
            self.part()
        gc.collect()

    # Readings

    def measure(self):
        """Readings when it is time; changes of valve, pump and switch at once."""
        up, now, c = self.uptime.ms(), self.clock.ms(), self.c
        if up >= self._measure_at:
            self._measure_at = up + c["interval_ms"]
            pressure = self.bench.pressure_pa()
            if pressure is None:
                self.keep(c["gauge"], "fault", "vb", "true", up, now)
            elif pressure < 0:
                self.keep(c["gauge"], "overrange", "vb", "true", up, now)
            else:
                self.keep(c["gauge"], "pressure", "v", "%.6g" % pressure, up, now)
        on_time = up >= self._states_at
        if on_time:
            self._states_at = up + c["states_ms"]
        for instrument, name, key, value in (
            (c["valve"], "valve", "vs", '"%s"' % self.valve.position),
            (c["pump"], "pump", "vb", "true" if self.bench.pump_runs() else "false"),
            (c["valve"], "hands", "vb", "true" if self.bench.hands() else "false"),
        ):
            if on_time or self._last.get(name) != value:
                self._last[name] = value
                self.keep(instrument, name, key, value, up, now)

    def keep(self, instrument, name, key, value, up, now):
        self.spool.keep(instrument, name, key, value, up, now)
        at = "%d.%03d" % (now // 1000, now % 1000) if now else "null"
        print(
            'kept {"instrument": "%s", "time": %s, "n": "%s", "%s": %s}' % (instrument, at, name, key, value)
        )

    # Connection

    def talk(self):
        up = self.uptime.ms()
        if self.client is None:
            if up >= self._again:
                self.connect()
            return
        self.client.check_msg()
        if up >= self._ping_at:
            self._ping_at = up + 10000
            self.client.ping()
        if len(self._ids) >= IDS:
            raise MQTTError("a new session")
        while self._outcomes:
            topic, body = self._outcomes[0]
            self.client.publish(topic, body, False, 1)
            self._outcomes.pop(0)
        self.send_packs(up)

    def connect(self):
        c = self.c
        # The will carries the session, so each connection has a client of its own.
        self.session = "%08x%08x" % (random.getrandbits(32), random.getrandbits(32))
        client = MQTTClient(
            c["name"],
            c["host"],
            port=c["port"],
            user=c["name"],
            password=c["password"],
            keepalive=30,
            ssl=tls(c["ca_der"]),
        )
        will = json.dumps({"online": False, "session": self.session})
        client.set_last_will("hf/1/%s/presence" % c["name"], will, True, 1)
        client.set_callback(self.take)
        client.connect()
        self.client = client
        self._ids = {}
        client.subscribe("hf/1/%s/receipt" % c["name"], 1)
        client.subscribe("hf/1/%s/+/order" % c["name"], 1)
        self.valve.session = self.session
        presence = {"online": True, "session": self.session, "boot": self.spool.boot, "software": SOFTWARE}
        body = json.dumps(presence)
        now = self.clock.ms()
        if now:  # written as text: a float of the board could not hold it
            body = '%s, "at": %d.%03d}' % (body[:-1], now // 1000, now % 1000)
        client.publish("hf/1/%s/presence" % c["name"], body, True, 1)
        self._pause = BACK_OFF_MS[0]
        for segment in self.spool.segments:
            segment.sent_ms = None

    def part(self):
        if self.client:
            try:
                self.client.sock.close()
            except OSError:
                pass
        self.client = None
        self.valve.session = ""
        # Longer and longer, and not all gateways at the same moment after a broker's restart.
        self._again = (
            self.uptime.ms() + self._pause // 2 + random.getrandbits(16) * (self._pause // 2) // 65536
        )
        self._pause = min(2 * self._pause, BACK_OFF_MS[1])

    def send_packs(self, up):
        late_ones = 0
        for segment in self.spool.due(up, self.c["batch_ms"]):
            late = segment.boot != self.spool.boot or up - segment.first_ms > self.c["late_after_ms"]
            late_ones += late
            # A receipt may have come while an earlier one was sent.
            if (late and late_ones > LATE_AT_ONCE) or segment not in self.spool.segments:
                continue
            if segment.sent_ms is None or up - segment.sent_ms > self.c["resend_ms"]:
                topic = "hf/1/%s/%s/%s" % (self.c["name"], segment.instrument, "late" if late else "data")
                payload = self.payload(segment)
                segment.sent_ms = self.uptime.ms()
                # Waits for the broker's PUBACK; receipts and orders that come meanwhile are taken in by it.
                self.client.publish(topic, payload, False, 1)
                self.valve.turn()

    def payload(self, segment):
        """SenML: the same number and the same records at each sending, `sent` anew."""
        base, lines = self.spool.lines(segment)
        now, up = self.clock.ms(), self.uptime.ms()
        out = ['[{"n":"seq","v":%d' % segment.seq]
        if not segment.relative:
            out.append(',"bt":%d.%03d' % (base // 1000, base % 1000))
        out.append('},{"n":"boot","vs":"%s"}' % segment.boot)
        if now:
            out.append(',{"n":"sent","v":%d.%03d}' % (now // 1000, now % 1000))
        if self.spool.dropped and segment.instrument == self.c["gauge"]:
            out.append(',{"n":"dropped","v":%d}' % self.spool.dropped)
        for ms, name, key, value in lines:
            unit = '"u":"Pa",' if name == "pressure" else ""
            # Without the time of day: how long before its sending (RFC 8428, section 4.5.3).
            t = int(ms) - up if segment.relative else int(ms)
            sign = "-" if t < 0 else ""
            t = abs(t)
            out.append(
                ',{"n":"%s",%s"%s":%s,"t":%s%d.%03d}' % (name, unit, key, value, sign, t // 1000, t % 1000)
            )
        out.append("]")
        return "".join(out)

    # What comes

    def take(self, topic, message):
        came = self.uptime.ms()
        try:
            parts = topic.decode().split("/")
            body = json.loads(message)
            if parts[-1] == "receipt":
                self.receipt(body)
            else:
                self.order(parts[3], body, came)
        except (ValueError, KeyError, TypeError, AttributeError, IndexError) as error:
            print("a message cannot be used:", error)

    def receipt(self, body):
        """Forget what Holdfast stored, and what it refused for good: its quarantine has that."""
        for segment in list(self.spool.segments):
            if (
                segment.instrument == body["instrument"]
                and segment.boot == body["boot"]
                and segment.file is None
            ):
                seq = segment.seq
                stored = seq <= body["upto"]
                for first, last in body["have"]:
                    stored = stored or first <= seq <= last
                if seq in body["refused"]:
                    print("refused:", segment.name)
                    stored = True
                if stored:
                    self.spool.forget(segment)

    def order(self, instrument, body, came):
        number = body["id"]
        if number in self._ids:
            # It comes until its outcome is known, and is never acted on twice.
            self.answer(instrument, number, *(self._ids[number] or ("refused", "repeated id")))
        elif instrument != self.c["valve"] or body["action"] not in ("open", "close"):
            self.answer(instrument, number, "refused", "there is nothing here that could do this")
        else:
            self._ids[number] = None
            self.valve.order(body, came)

    def answer(self, instrument, number, result, reason):
        body = json.dumps({"id": number, "result": result, "reason": reason})
        now = self.clock.ms()
        if now:
            body = '%s, "at": %d.%03d}' % (body[:-1], now // 1000, now % 1000)
        self._outcomes.append(("hf/1/%s/%s/outcome" % (self.c["name"], instrument), body))
        print("order", number, result, reason)


class MQTTError(Exception):
    """What the connection cannot go on after; umqtt.simple raises its own, or OSError."""


try:
    from umqtt.simple import MQTTException as MQTTError
except ImportError:
    pass


def main():
    with open("gateway.json") as f:
        gateway = Gateway(json.load(f))
    gateway.run()


if __name__ == "__main__":
    main()
