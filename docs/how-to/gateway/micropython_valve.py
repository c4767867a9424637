# The valve of the small gateway in MicroPython: wiring, orders, and the actuator.
#
# The pump's contact must also lie in the coil's circuit: no program may stand between a stopped pump and a
# closed valve. See ../connect-a-gateway.md.

from machine import ADC, Pin

KNOWN = ("pump_running_s", "max_circuit_pa", "position")  # requirements that the inputs can confirm


# Inputs and outputs ---------------------------------------------------------------------------------------


class Bench:
    """The wiring. Inputs pull down, so that a broken wire reads as: pump off, no limit switch reached."""

    def __init__(self, c):
        self._low, self._decades = c["low_pa"], c["decades"]
        self._gauge = ADC(Pin(c["gauge_pin"]))
        self._pump = Pin(c["pump_pin"], Pin.IN, Pin.PULL_DOWN)
        self._open = Pin(c["open_pin"], Pin.IN, Pin.PULL_DOWN)
        self._closed = Pin(c["closed_pin"], Pin.IN, Pin.PULL_DOWN)
        self._hands = Pin(c["hands_pin"], Pin.IN, Pin.PULL_DOWN)
        self._coil = Pin(c["coil_pin"], Pin.OUT, value=0)
        self.energised = False

    def pressure_pa(self):
        """Absolute pressure [Pa]; None: the sensor gives none; a negative number: over its range."""
        raw = self._gauge.read_u16()
        if raw < 328:  # 0.5 %: unplugged
            return None
        if raw > 65207:  # 99.5 %
            return -1.0
        return self._low * 10.0 ** (self._decades * raw / 65535)

    def pump_runs(self):
        return self._pump.value() == 1

    def position(self):
        a, b = self._open.value(), self._closed.value()
        if a and b:
            return "unknown"
        return "open" if a else "closed" if b else "moving"

    def hands(self):
        return self._hands.value() == 1

    def drive(self, on):
        self.energised = on
        self._coil.value(1 if on else 0)

    def guard(self, _timer=None):
        """Called by a timer ten times a second, and allocates nothing: no pump, no current."""
        if self.energised and self._pump.value() != 1:
            self._coil.value(0)
            self.energised = False


# Orders ---------------------------------------------------------------------------------------------------


class Valve:
    def __init__(self, bench, uptime, travel_ms, boot):
        self.bench, self.uptime, self.travel_ms, self.boot = bench, uptime, travel_ms, boot
        self.session = ""
        self.outcomes = []
        self.pump_since = None
        self.position = bench.position()
        self._waiting = []
        self._current = None
        self._began = 0
        self._opening = False

    def order(self, body, came):
        self._waiting.append((body, came))

    def turn(self):
        """Look at the pump first, then at the movement under way, then at what is ordered."""
        up = self.uptime.ms()
        self.bench.guard()
        self.position = self.bench.position()
        if not self.bench.pump_runs():
            self.pump_since = None
        elif self.pump_since is None:
            self.pump_since = up
        # The key cuts the coil's circuit; turned back, it must not find the coil still switched on.
        if self.bench.energised and self.bench.hands():
            self.bench.drive(False)
            if self._current:
                self._finish("failed", "the site is switched to local hands")
        if self._current:
            if self._opening and not self.bench.energised:
                self._finish("failed", "the pump stopped")
            elif self.position == ("open" if self._opening else "closed"):
                self._finish("done", "")
            elif up - self._began > self.travel_ms:
                self.bench.drive(False)
                self._finish("failed", "the valve is %s after its time" % self.position)
        while self._waiting and self._may_begin(self._waiting[0][0]):
            self._begin(self._waiting.pop(0))

    def _may_begin(self, body):
        """A movement is finished first, but a close interrupts an opening."""
        return self._current is None or (body["action"] == "close" and self._opening)

    def _begin(self, order):
        body, came = order
        up = self.uptime.ms()
        try:
            reason = self.refusal(body, up - came, up)
        except (KeyError, TypeError, ValueError, AttributeError):
            reason = "it is not complete"
        if reason:
            self.outcomes.append((body["id"], "refused", reason))
            return
        if self._current:
            self._finish("failed", "interrupted by a close")
        self._current, self._opening, self._began = body, body["action"] == "open", up
        self.bench.drive(self._opening)

    def refusal(self, body, age_ms, up):
        """Why an order is not carried out; empty if it is. A close may be late, an open never."""
        require = body.get("require") or {}
        if body["session"] != self.session:
            return "made for another session"
        if body.get("boot") not in (None, self.boot):
            return "made for another boot"
        if self.bench.hands():
            return "the site is switched to local hands"
        wanted = require.get("position")
        if wanted is not None and wanted != self.position:
            return "the valve is " + self.position
        if body["action"] == "close":
            return ""
        # Each asked so that what is no number refuses too.
        if not age_ms <= body["ttl_s"] * 1000:
            return "past its time to live"
        for key in require:
            if key not in KNOWN and require[key] is not None:
                return "it requires what this gateway cannot confirm"
        if self.pump_since is None or not self.bench.pump_runs():
            return "the pump does not run"
        if not up - self.pump_since >= (require.get("pump_running_s") or 0) * 1000:
            return "the pump has not run for long enough"
        most = require.get("max_circuit_pa")
        if most is not None:
            pressure = self.bench.pressure_pa()
            if pressure is None or pressure < 0:
                return "no pressure of the circuit that counts"
            if not pressure <= most:
                return "the circuit is at %d Pa" % pressure
        return ""

    def _finish(self, result, reason):
        self.outcomes.append((self._current["id"], result, reason))
        self._current = None
        self._opening = False
