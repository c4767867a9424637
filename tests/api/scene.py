"""An invented evening of jobs, written straight into the tables, for tests of API and pages."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, replace

from analytics.core.advice import advise
from analytics.core.pull_down import Known
from analytics.core.pull_live import PullState, estimate, take
from model.alert import Alert, AlertState, Priority
from model.clock import US, to_datetime
from model.equipment import Instrument, Position, Role
from model.event import EventKind
from model.job import Job, JobState
from model.judgement import Cause, Diagnosis, Forecast, HoldTest, Interval, Phase, PhaseKind, Verdict
from model.pull_down import PullEstimate
from model.reading import Quantity, Valve
from model.rig import NO_RIG, Rig
from physics.units import MICRON_PA
from store import alerts, equipment, events, jobs, judgement, procedures, pull_downs
from store.database import Connection
from store.events import NewEvent

HOUR = 3600 * US
MINUTE = 60 * US
CREW = "Crew North"

Curve = Sequence[tuple[int, float]]
"""Times [µs] and pressures [Pa]."""


@dataclass(frozen=True, slots=True)
class Made:
    """A job with its gauge."""

    job: Job
    gauge: Instrument
    valve: Instrument | None
    hold_id: int | None = None
    alert_id: int | None = None


class Scene:
    """Writes jobs as the other processes would have left them."""

    def __init__(self, conn: Connection, now_us: int, seed: int = 7) -> None:
        self.conn = conn
        self.now_us = now_us
        self.random = random.Random(seed)
        self.procedure = procedures.named(conn, "Strict: 500, at most 1000 micron after 30 min")
        known = {crew.name: crew for crew in equipment.crews(conn)}
        self.crew = known.get(CREW) or equipment.add_crew(conn, CREW)

    def job(
        self,
        site: str,
        circuit: str,
        opened_us: int,
        *,
        title: str | None = None,
        valve: bool = True,
        state: JobState = JobState.RUNNING,
        walk_up: bool = False,
        time_zone: str = "Europe/Berlin",
    ) -> Made:
        """A job with a gauge and perhaps a valve at a new site."""
        place = equipment.add_site(self.conn, site, time_zone)
        unit = equipment.add_circuit(self.conn, place.id, circuit, 0.012, "R-448A", "POE 32")
        name = "gw-" + "".join(c for c in site.lower() if c.isalnum())[:20]
        gateway, _ = equipment.add_gateway(self.conn, name, place.id, to_datetime(opened_us))
        gauge = equipment.add_instrument(self.conn, gateway.id, "g1", Role.GAUGE, interval_s=10)
        made = jobs.add(
            self.conn,
            title or f"Evacuation {circuit}",
            place.id,
            self.procedure.id,
            opened_us,
            circuit_id=None if walk_up else unit.id,
            crew_id=None if walk_up else self.crew.id,
            state=state,
            walk_up=walk_up,
        )
        jobs.assign(self.conn, made.id, gauge.id, opened_us, deciding=True)
        shut = None
        if valve:
            shut = equipment.add_instrument(self.conn, gateway.id, "v1", Role.VALVE, Position.PUMP)
            jobs.assign(self.conn, made.id, shut.id, opened_us)
        return Made(made, gauge, shut)

    def readings(self, made: Made, curve: Curve, battery: float = 0.8) -> None:
        """Readings with their rollups and the latest of them."""
        self._insert(made.gauge, Quantity.PRESSURE, curve)
        self.conn.execute(
            "INSERT INTO rollup_minute (instrument_id, quantity, minute, n, low, high, total) "
            "SELECT instrument_id, quantity, date_trunc('minute', time), count(*), min(value), max(value), "
            "sum(value) FROM reading WHERE instrument_id = %s GROUP BY 1, 2, 3 "
            "ON CONFLICT (instrument_id, quantity, place_id, minute) DO UPDATE SET n = excluded.n, "
            "low = excluded.low, high = excluded.high, total = excluded.total",
            (made.gauge.id,),
        )
        self.latest(made.gauge, Quantity.PRESSURE, *curve[-1])
        self.latest(made.gauge, Quantity.BATTERY_SHARE, curve[-1][0], battery)

    def temperature(self, made: Made, curve: Curve) -> None:
        """The circuit's temperature [K]."""
        self._insert(made.gauge, Quantity.TEMPERATURE, curve)

    def _insert(self, instrument: Instrument, quantity: Quantity, curve: Curve) -> None:
        self.conn.execute(
            "INSERT INTO reading (instrument_id, quantity, time, value, arrived) "
            "SELECT %s, %s, r.time, r.value, least(r.time + interval '1 s', %s) "
            "FROM unnest(%s::timestamptz[], %s::float8[]) AS r (time, value) ON CONFLICT DO NOTHING",
            (
                instrument.id,
                int(quantity),
                to_datetime(self.now_us),
                [to_datetime(at) for at, _ in curve],
                [value for _, value in curve],
            ),
        )

    def latest(self, instrument: Instrument, quantity: Quantity, at_us: int, value: float) -> None:
        """What an instrument last said."""
        self.conn.execute(
            "INSERT INTO latest (instrument_id, quantity, time, value, arrived) VALUES (%s, %s, %s, %s, %s) "
            "ON CONFLICT (instrument_id, quantity, place_id) DO UPDATE SET time = excluded.time, "
            "value = excluded.value, arrived = excluded.arrived",
            (instrument.id, int(quantity), to_datetime(at_us), value, to_datetime(at_us)),
        )

    def valve(self, made: Made, position: Valve, at_us: int | None = None, pump: bool = True) -> None:
        """What the valve reports."""
        assert made.valve is not None
        at = at_us or self.now_us - 4 * US
        self.latest(made.valve, Quantity.VALVE, at, float(position))
        self.latest(made.valve, Quantity.PUMP, at, float(pump))

    def phases(self, made: Made, *phases: Phase) -> None:
        """Phases of the job."""
        judgement.write_phases(self.conn, [], [(made.job.id, phase) for phase in phases])

    def estimated(
        self, made: Made, curve: Curve, known: Known | None = None, rig: Rig = NO_RIG
    ) -> PullEstimate:
        """What the judgement says of a pull-down with this curve, which runs."""
        start_us, end_us = curve[0][0], curve[-1][0]
        state = PullState(start_us)
        for at_us, pressure_pa in curve:
            take(state, at_us, pressure_pa, 1e5)
        found = estimate(state, self.procedure.target_pa, known or Known(0.012), 1e5)
        told = PullEstimate(start_us, end_us, self.procedure.target_pa, found, rig)
        pull_downs.write(self.conn, [(made.job.id, told)])
        return told

    def hold(self, made: Made, hold: HoldTest, because: str = "first verdict") -> Made:
        """A hold test, with a revision if it has a verdict."""
        hold = replace(hold, advice=advise(hold))
        stored = judgement.add_hold(self.conn, made.job.id, hold)
        if hold.verdict.final:
            judgement.write_holds(self.conn, [replace(stored, revision=1)], self.now_us)
            at_us = hold.decided_us or self.now_us
            judgement.add_revisions(
                self.conn, [judgement.Revision(stored.id, 1, hold, because, at_us + 5 * US)]
            )
        return replace(made, hold_id=stored.id)

    def event(self, made: Made, kind: EventKind, at_us: int, text: str, known_us: int | None = None) -> int:
        """A recorded event, with the fact behind it."""
        self.conn.execute(
            "INSERT INTO fact (job_id, kind, subject_at, happened_at, text, data) "
            "VALUES (%s, %s, %s, %s, %s, '{}')",
            (made.job.id, kind, to_datetime(at_us), to_datetime(at_us), text),
        )
        new = NewEvent(kind, at_us, text, f"{kind}:{at_us}", made.job.site_id, made.job.id)
        return events.record(self.conn, [new], known_us or at_us + 2 * US)[0]

    def alert(self, made: Made, kind: str, priority: Priority, text: str, action: str, at_us: int) -> Made:
        """An alert that nobody has taken."""
        number = alerts.save(
            self.conn,
            Alert(
                id=0,
                key=f"{kind}:{made.job.id}",
                kind=kind,
                priority=priority,
                state=AlertState.ACTIVE_UNACKNOWLEDGED,
                text=text,
                action=action,
                site_id=made.job.site_id,
                job_id=made.job.id,
                raised_us=at_us,
                updated_us=at_us,
                cleared_us=None,
                acknowledged_us=None,
                acknowledged_by=None,
                note="",
                count=1,
                happened_us=at_us,
                event_id=0,
            ),
            "raised",
        )
        return replace(made, alert_id=number)

    def noise(self) -> float:
        """A factor near one."""
        return math.exp(self.random.gauss(0, 0.008))

    def pull_down(self, start_us: int, end_us: int, end_pa: float, step_us: int = 30 * US) -> Curve:
        """From the atmosphere towards an end pressure."""
        tau = (end_us - start_us) / 9
        return [
            (at, (1e5 * math.exp(-(at - start_us) / tau) + end_pa) * self.noise())
            for at in range(start_us, end_us, step_us)
        ]

    def rise(self, start_us: int, end_us: int, start_pa: float, pa_per_s: float) -> Curve:
        """A straight rise, as from a leak."""
        return [
            (at, (start_pa + pa_per_s * (at - start_us) / US) * self.noise())
            for at in range(start_us, end_us, 30 * US)
        ]

    def levelling(self, start_us: int, end_us: int, start_pa: float, end_pa: float, tau_s: float) -> Curve:
        """A rise that bends over, as from moisture."""
        return [
            (at, (end_pa + (start_pa - end_pa) * math.exp(-(at - start_us) / US / tau_s)) * self.noise())
            for at in range(start_us, end_us, 30 * US)
        ]


def micron(value: float) -> float:
    """In pascal."""
    return value * MICRON_PA


def hold_test(start_us: int, verdict: Verdict, text: str, reason: str, **more: object) -> HoldTest:
    """A hold of half an hour with the strict limit."""
    known: dict[str, object] = {
        "planned_end_us": start_us + 30 * MINUTE,
        "end_us": None,
        "start_pa": micron(430),
        "limit_pa": micron(1000),
        "by_valve": True,
        **more,
    }
    return HoldTest(start_us=start_us, verdict=verdict, reason=reason, text=text, **known)  # type: ignore[arg-type]


def evening(conn: Connection, now_us: int) -> dict[str, Made]:
    """Jobs in every state that the board knows, by name."""
    with conn.transaction():
        return _evening(Scene(conn, now_us))


def _evening(scene: Scene) -> dict[str, Made]:
    return {
        "leak": _leaking(scene),
        "wet": _wet(scene),
        "tight": _tight(scene),
        "late": _late(scene),
        "pulling": _pulling(scene),
        "holding": _holding(scene),
        "walk-up": _walk_up(scene),
        "planned": scene.job(
            "Tram depot", "Chiller 2", scene.now_us - HOUR, state=JobState.PLANNED, valve=False
        ),
    }


def _leaking(scene: Scene) -> Made:
    now = scene.now_us
    opened, shut = now - 6 * HOUR, now - 2 * HOUR
    failed = shut + 26 * MINUTE
    made = scene.job("Harbour cold store", "Rack B low stage", opened, time_zone="Europe/Lisbon")
    curve = [*scene.pull_down(opened, shut, micron(330)), *scene.rise(shut, now, micron(430), 0.051)]
    scene.readings(made, curve, battery=0.61)
    scene.temperature(
        made, [(at, 291.0 - 2 * (at - opened) / (6 * HOUR)) for at in range(opened, now, 2 * MINUTE)]
    )
    scene.valve(made, Valve.CLOSED, pump=False)
    scene.phases(
        made,
        Phase(PhaseKind.PULL_DOWN, opened, shut, 1e5, micron(400), micron(330)),
        Phase(PhaseKind.HOLD, shut, None, micron(430), None, micron(430)),
    )
    text = "Failed: above the permitted 1000 micron for 60 s, 26 min after the valve closed."
    diagnosis = Diagnosis(
        cause=Cause.LEAK,
        probabilities={
            "leak": 0.93,
            "leak+moisture": 0.05,
            "moisture": 0.01,
            "outgassing": 0.01,
            "tight": 0.0,
        },
        evidence=(
            "The rise goes on at the same slope for two hours: it does not bend over.",
            "The temperature fell by 0.7 K; a rise by warming would have gone the other way.",
        ),
        leak_pa_per_s=Interval(0.051, 0.047, 0.055),
        leak_pa_m3_per_s=Interval(6.1e-4, 4.3e-4, 8.0e-4),
    )
    made = scene.hold(
        made,
        hold_test(
            shut,
            Verdict.FAILED,
            text,
            "over-limit",
            decided_us=failed,
            first_over_us=failed - MINUTE,
            highest_pa=curve[-1][1],
            last_pa=curve[-1][1],
            smallest_leak_pa_m3_per_s=5.4e-4,
            remarks=("The volume was entered by hand; take it as ±30 %.",),
            diagnosis=diagnosis,
        ),
    )
    scene.event(made, EventKind.PULL_DOWN_STARTED, opened, "Pull-down began at 101 kPa.")
    scene.event(made, EventKind.TARGET_REACHED, shut - 20 * MINUTE, "Target of 500 micron held for 60 s.")
    scene.event(made, EventKind.HOLD_STARTED, shut, "Hold began: the valve reports closed.")
    scene.event(made, EventKind.HOLD_FAILED, failed, text)
    return scene.alert(
        made,
        "hold-failed",
        Priority.URGENT,
        "Hold failed: Rack B low stage at Harbour cold store, probably a leak (93 %)",
        "Blank the rig off and test it alone first. Never open an isolation valve to a stopped pump.",
        failed + 2 * US,
    )


def _wet(scene: Scene) -> Made:
    now = scene.now_us
    opened, shut = now - 9 * HOUR, now - 3 * HOUR
    made = scene.job("Dairy Westmoor", "Glycol chiller", opened)
    curve = [
        *scene.pull_down(opened, shut, micron(420)),
        *scene.levelling(shut, now, micron(470), micron(960), 2400),
    ]
    scene.readings(made, curve, battery=0.18)
    scene.valve(made, Valve.CLOSED)
    scene.phases(
        made,
        Phase(PhaseKind.PULL_DOWN, opened, shut, 1e5, micron(440), micron(420)),
        Phase(PhaseKind.HOLD, shut, None, micron(470), None, micron(470)),
    )
    diagnosis = Diagnosis(
        cause=Cause.MOISTURE,
        probabilities={
            "moisture": 0.78,
            "outgassing": 0.14,
            "leak+moisture": 0.06,
            "leak": 0.01,
            "tight": 0.01,
        },
        evidence=("The rise bends over and levels off.",),
        vapour_pa=430.0,
        vapour_g=0.121,
        equilibrium_temperature_k=268.6,
    )
    made = scene.hold(
        made,
        hold_test(
            shut,
            Verdict.INCONCLUSIVE,
            "Inconclusive: readings are missing for 14 % of the hold.",
            "gaps",
            decided_us=shut + 30 * MINUTE,
            highest_pa=micron(840),
            last_pa=micron(840),
            smallest_leak_pa_m3_per_s=5.1e-4,
            diagnosis=diagnosis,
        ),
    )
    scene.event(made, EventKind.HOLD_STARTED, shut, "Hold began: the valve reports closed.")
    return scene.alert(
        made,
        "hold-inconclusive",
        Priority.MEDIUM,
        "Hold inconclusive: Glycol chiller at Dairy Westmoor, readings are missing for 14 % of it",
        "Nothing was proved. Put right what the reason names, then hold again.",
        shut + 31 * MINUTE,
    )


def _tight(scene: Scene) -> Made:
    now = scene.now_us
    opened, shut = now - 11 * HOUR, now - 8 * HOUR
    made = scene.job("Market hall", "Split unit 4", opened, state=JobState.FINISHED)
    curve = [
        *scene.pull_down(opened, shut, micron(280)),
        *scene.levelling(shut, now, micron(300), micron(370), 900),
    ]
    scene.readings(made, curve)
    scene.valve(made, Valve.CLOSED, pump=False)
    scene.phases(
        made,
        Phase(PhaseKind.PULL_DOWN, opened, shut, 1e5, micron(300), micron(280)),
        Phase(PhaseKind.HOLD, shut, shut + 30 * MINUTE, micron(300), micron(350), micron(300)),
    )
    made = scene.hold(
        made,
        hold_test(
            shut,
            Verdict.PASSED,
            "Passed: stayed below the permitted 1000 micron for 30 min.",
            "passed",
            end_us=shut + 30 * MINUTE,
            decided_us=shut + 30 * MINUTE,
            start_pa=micron(310),
            highest_pa=micron(352),
            last_pa=micron(350),
            smallest_leak_pa_m3_per_s=6.6e-4,
            remarks=("The pass says nothing about ice below −17 °C.",),
        ),
    )
    scene.event(
        made, EventKind.HOLD_PASSED, shut + 30 * MINUTE, "Passed: stayed below 1000 micron for 30 min."
    )
    return made


def _late(scene: Scene) -> Made:
    now = scene.now_us
    opened, quiet = now - 5 * HOUR, now - 50 * MINUTE
    shut = now - 70 * MINUTE
    made = scene.job("Quarry canteen", "Walk-in freezer", opened, time_zone="Europe/Madrid")
    curve = [*scene.pull_down(opened, shut, micron(300)), *scene.rise(shut, quiet, micron(380), 0.004)]
    scene.readings(made, curve)
    scene.valve(made, Valve.CLOSED, at_us=quiet)
    scene.phases(
        made,
        Phase(PhaseKind.PULL_DOWN, opened, shut, 1e5, micron(360), micron(300)),
        Phase(PhaseKind.HOLD, shut, None, micron(380), None, micron(380)),
    )
    made = scene.hold(
        made,
        hold_test(
            shut,
            Verdict.AWAITING,
            "The hold is over; readings of its last 10 min are missing and may still come.",
            "awaiting-readings",
        ),
    )
    scene.event(made, EventKind.HOLD_AWAITING, shut + 31 * MINUTE, "Readings are missing and may still come.")
    return made


def _pulling(scene: Scene) -> Made:
    now = scene.now_us
    opened = now - 42 * MINUTE
    made = scene.job("School kitchen Elm Lane", "Cold room 1", opened, valve=True)
    curve = scene.pull_down(opened, now - 3 * US, micron(760))
    scene.readings(made, curve)
    scene.estimated(made, curve)
    scene.valve(made, Valve.OPEN)
    scene.phases(made, Phase(PhaseKind.PULL_DOWN, opened, None, 1e5, None, micron(800)))
    scene.event(made, EventKind.JOB_OPENED, opened, "Job opened.")
    scene.event(made, EventKind.PULL_DOWN_STARTED, opened, "Pull-down began at 101 kPa.")
    return made


def _holding(scene: Scene) -> Made:
    now = scene.now_us
    opened, shut = now - 3 * HOUR, now - 11 * MINUTE
    made = scene.job("Laboratory Birkenweg", "Freeze dryer", opened)
    curve = [*scene.pull_down(opened, shut, micron(210)), *scene.rise(shut, now - 3 * US, micron(240), 0.006)]
    scene.readings(made, curve, battery=0.92)
    scene.valve(made, Valve.CLOSED)
    scene.phases(
        made,
        Phase(PhaseKind.PULL_DOWN, opened, shut, 1e5, micron(220), micron(210)),
        Phase(PhaseKind.HOLD, shut, None, micron(240), None, micron(240)),
    )
    made = scene.hold(
        made,
        hold_test(
            shut,
            Verdict.RUNNING,
            "Holding: 11 of 30 min, 270 micron, at most 1000 are permitted.",
            "running",
            start_pa=micron(245),
            highest_pa=micron(272),
            last_pa=micron(271),
            smallest_leak_pa_m3_per_s=7.2e-4,
            forecast=Forecast(0.0004),
        ),
    )
    scene.event(made, EventKind.HOLD_STARTED, shut, "Hold began: the valve reports closed.")
    return made


def _walk_up(scene: Scene) -> Made:
    now = scene.now_us
    opened = now - 9 * MINUTE
    made = scene.job(
        "Van of crew South",
        "unnamed",
        opened,
        title="Walk-up job, gauge gw-vanofcrewsouth/g1",
        valve=False,
        walk_up=True,
    )
    scene.readings(made, scene.pull_down(opened, now - 2 * US, micron(9000)))
    scene.phases(made, Phase(PhaseKind.PULL_DOWN, opened, None, 4.6e4, None, micron(9000)))
    return made
