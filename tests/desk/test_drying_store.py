"""Drying rounds on the real store: what is looked at is found there, and an opening is asked for once."""

from __future__ import annotations

import json

import pytest

from desk.worker import alerting
from desk.worker.passing import Outlets
from model.clock import US, HandClock, to_datetime
from model.equipment import Position, Role
from model.hold_plan import Confirmed, Drying, PlanEnd, PlanState
from model.order import Order, OrderResult, OrderState
from model.reading import Quantity, Valve
from store import alerts, drying, equipment, jobs, openings, orders, people, plans, procedures
from store.audit import By
from store.database import Connection
from store.plans import NewPlan
from tests.desk.facts import NIGHT_US, all_alerts
from tests.desk.test_planning import REPORT_S, Site, closed
from tests.desk.test_planning import site as site
from tests.desk.test_watching import after

FAILED_S = 3600.0
"""The hold fails so long after the night's begin."""


class Wet(Site):
    """A site with all that an automatic opening needs."""

    tarik: int
    circuit: int

    def make(self, not_before_s: float | None = None) -> None:
        confirmed = None
        new = NewPlan(
            self.job_id, self.valve.id, 600.0, None, after(REPORT_S), drying=Drying(2, 3600.0, 0.9, confirmed)
        )
        with self.conn.transaction():
            assert plans.add(self.conn, new, type(self).tarik, NIGHT_US) == self.plan_id

    def report(self, at_us: int, position: Valve, *, pump: bool = True) -> None:
        """Everything that reports, at a moment."""
        low = 0.8 * procedures.default(self.conn).target_pa
        self.tell(self.gauge, Quantity.PRESSURE, at_us, 5 * low)
        self.valve_says(position, at_us)
        for name, quantity, value in (
            ("g-pump", Quantity.PRESSURE, 5.0),
            ("p1", Quantity.PUMP, float(pump)),
            ("t1", Quantity.TEMPERATURE, 291.0),
            ("t1", Quantity.AMBIENT, 290.0),
        ):
            self.tell(equipment.instrument_named(self.conn, f"gw1/{name}"), quantity, at_us, value)

    def quiet(self, begin_s: float, end_s: float, position: Valve) -> None:
        """A report a minute."""
        for second in range(round(begin_s), round(end_s) + 1, 60):
            self.report(after(second), position)

    def failed(self, moisture: float = 0.95, leak: float = 0.02) -> None:
        self.judged("failed", "It failed.", after(20))
        told = {"moisture": moisture, "leak": leak, "leak+moisture": 0.0}
        detail = {
            "diagnosis": {"probabilities": told},
            "advice": {"urgency": "can-wait", "steps": ["Dry it."]},
        }
        self.conn.execute(
            "UPDATE hold_test SET detail = %s WHERE started_at = %s",
            (json.dumps(detail), to_datetime(after(20))),
        )

    def openings(self) -> list[Order]:
        rows = self.conn.execute(orders.SELECT + "WHERE o.action = 'open' ORDER BY o.id").fetchall()
        return [orders.from_row(row) for row in rows]


@pytest.fixture
def wet(site: Site) -> Wet:
    conn, job_id = site.conn, site.job_id
    made = Wet(site.conn, site.job_id, site.valve, site.gauge)
    for name, role, position in (
        ("g-pump", Role.GAUGE, Position.PUMP),
        ("p1", Role.PUMP, Position.PUMP),
        ("t1", Role.THERMOMETER, Position.CIRCUIT),
    ):
        one = equipment.add_instrument(conn, site.valve.gateway_id, name, role, position, interval_s=60)
        jobs.assign(conn, job_id, one.id, NIGHT_US - 3600 * US)
    tarik, _ = people.add(conn, "tarik", "Tarik Brandt", "technician", to_datetime(NIGHT_US))
    Wet.tarik = tarik.id
    place = jobs.by_id(conn, job_id).site_id
    circuit = equipment.add_circuit(conn, place, "Rack", refrigerant="R-448A")
    conn.execute("UPDATE job SET circuit_id = %s WHERE id = %s", (circuit.id, job_id))
    Wet.circuit = circuit.id
    openings.change(conn, place, By(to_datetime(NIGHT_US), tarik.id), allowed=True, openers=[tarik.id])
    closed(made)
    made.quiet(30, FAILED_S, Valve.CLOSED)
    return made


def fail(wet: Wet, **cause: float) -> None:
    wet.failed(**cause)
    wet.desk(after(FAILED_S + 5), times=1)
    assert wet.plan.progress.state is PlanState.WEIGHING
    wet.desk(after(FAILED_S + 16), times=1)


def test_a_wet_circuit_is_opened_to_its_pump_closed_again_and_judged_anew(wet: Wet) -> None:
    fail(wet)
    (opening,) = wet.openings()
    assert (opening.reason, opening.asked_by) == ("Hold plan 1: drying round 1 of 2", None)
    assert opening.require.pump_running_s == 120.0
    wet.settle(opening, OrderResult.DONE, after(FAILED_S + 20))
    wet.quiet(FAILED_S + 25, FAILED_S + 25 + 3600, Valve.OPEN)
    wet.conn.execute("DELETE FROM timer WHERE kind = 'opening-watch'")  # its pressure is another test's
    wet.desk(after(FAILED_S + 40))
    assert wet.plan.progress.state is PlanState.DRYING
    begun_us = wet.plan.progress.pump_until_us
    # Three hours without a desk, and the reports go on.
    wet.quiet(FAILED_S + 25 + 3660, FAILED_S + 25 + 3 * 3600, Valve.OPEN)
    wet.desk(after(FAILED_S + 3 * 3600 + 30), times=1)
    assert begun_us == wet.plan.progress.pump_until_us
    first, second = wet.closes()
    assert second.reason == "Hold plan 1: dried, to be held again"
    shut_s = FAILED_S + 3 * 3600 + 40
    wet.valve_says(Valve.CLOSED, after(shut_s))
    wet.settle(second, OrderResult.DONE, after(shut_s))
    wet.desk(after(shut_s + 5))
    assert (wet.plan.progress.state, wet.plan.progress.closed_us) == (PlanState.HOLDING, after(shut_s))
    wet.judged("passed", "It passed.", after(shut_s))
    wet.desk(after(shut_s + 8 * 3600))
    assert (wet.plan.progress.end, wet.plan.progress.rounds) == (PlanEnd.PASSED, 1)
    assert len(wet.openings()) == 1
    assert first.state is OrderState.DONE


def not_turned_on(wet: Wet) -> None:
    wet.conn.execute("UPDATE site SET opening_from_afar = false")


def not_named(wet: Wet) -> None:
    wet.conn.execute("DELETE FROM site_opener")


def no_gauge_at_the_pump(wet: Wet) -> None:
    wet.conn.execute(
        "DELETE FROM latest l USING instrument i WHERE i.id = l.instrument_id AND i.name = 'g-pump'"
    )


def pump_was_not_heard(wet: Wet) -> None:
    wet.conn.execute(
        "DELETE FROM reading r USING instrument i WHERE i.id = r.instrument_id AND i.name = 'p1' "
        "AND r.time BETWEEN %s AND %s",
        (to_datetime(after(600)), to_datetime(after(800))),
    )


def pump_stood_for_a_moment(wet: Wet) -> None:
    wet.tell(equipment.instrument_named(wet.conn, "gw1/p1"), Quantity.PUMP, after(1000), 0.0)


def cold_at_night(wet: Wet) -> None:
    wet.conn.execute(
        "UPDATE reading SET value = 277.0 WHERE instrument_id = %s AND quantity = %s AND time = %s",
        (equipment.instrument_named(wet.conn, "gw1/t1").id, int(Quantity.AMBIENT), to_datetime(after(690))),
    )


def thermometer_silent(wet: Wet) -> None:
    wet.conn.execute(
        "DELETE FROM reading r USING instrument i WHERE i.id = r.instrument_id AND i.name = 't1' "
        "AND r.time > %s",
        (to_datetime(after(FAILED_S - 1000)),),
    )


def refrigerant(written: str | None) -> object:
    return lambda wet: wet.conn.execute("UPDATE circuit SET refrigerant = %s", (written,))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (not_turned_on, "Opening from afar is off at this site"),
        (not_named, "Only who is named"),
        (no_gauge_at_the_pump, "on the pump side is silent"),
        (pump_was_not_heard, "not been reported running all along"),
        (cold_at_night, "A spot may be at -1 °C"),
        (thermometer_silent, "temperature is not known"),
        (refrigerant("R-32"), "R-32 is flammable (A2L), and nobody has confirmed"),
        (refrigerant(None), "refrigerant is not known, and nobody has confirmed"),
    ],
)
def test_what_is_not_so_is_found_in_the_store_and_somebody_is_woken(
    wet: Wet, change: object, said: str
) -> None:
    assert callable(change)
    change(wet)
    fail(wet)
    assert wet.openings() == []
    assert said in wet.plan.progress.blocked[0]
    wet.desk(after(FAILED_S + 700), times=1)
    assert wet.openings() == []
    assert (wet.plan.progress.end, wet.log()[-1].startswith("Not dried")) == (PlanEnd.FAILED, True)
    assert ("hold-failed", "active-unacknowledged") in wet.alerts(after(FAILED_S + 701))


def test_who_has_acknowledged_a_fail_that_is_being_dried_is_woken_when_it_stops(wet: Wet) -> None:
    fail(wet)
    (opening,) = wet.openings()
    wet.settle(opening, OrderResult.DONE, after(FAILED_S + 20))
    wet.report(after(FAILED_S + 25), Valve.OPEN)
    wet.desk(after(FAILED_S + 30), times=1)
    with wet.conn.transaction():
        wet.conn.execute(
            "INSERT INTO event (kind, happened_at, recorded_at, job_id, subject, text, data) "
            "VALUES ('hold-failed', now(), now(), %s, %s, 'It failed.', '{\"urgency\": \"can-wait\"}')",
            (wet.job_id, f"hold:{wet.plan.progress.hold_id}"),
        )
    wet.alerts(after(FAILED_S + 31))
    (alert,) = [one for one in all_alerts(wet.conn) if one.kind == "hold-failed"]
    with wet.conn.transaction():
        alerts.acknowledge(wet.conn, alert.id, Wet.tarik, "It is being dried.", after(FAILED_S + 40))
    wet.report(after(FAILED_S + 60), Valve.OPEN, pump=False)
    wet.desk(after(FAILED_S + 70))
    alerting.work_off(wet.conn, HandClock(after(FAILED_S + 71)), Outlets((), "urn:test"))
    (alert,) = [one for one in all_alerts(wet.conn) if one.kind == "hold-failed"]
    assert alert.state.value == "active-unacknowledged"
    assert "does not dry the circuit any more" in alert.text
    assert "Dry it." in alert.action


def test_a_leak_of_an_earlier_hold_counts_until_the_vacuum_was_broken(wet: Wet) -> None:
    told = {"diagnosis": {"probabilities": {"leak": 0.5, "leak+moisture": 0.1}}}
    wet.conn.execute(
        "INSERT INTO hold_test (job_id, started_at, verdict, reason, text, detail) "
        "VALUES (%s, %s, 'failed', '', 'It failed.', %s)",
        (wet.job_id, to_datetime(after(-3000)), json.dumps(told)),
    )
    fail(wet)
    assert wet.openings() == []
    # The hold's planned end is over: no other estimate comes.
    assert wet.plan.progress.end is PlanEnd.FAILED
    assert wet.plan.progress.stop[0].startswith("A leak is suspected (60%)")
    wet.conn.execute(
        "INSERT INTO phase (job_id, kind, started_at) VALUES (%s, 'vacuum-broken', %s)",
        (wet.job_id, to_datetime(after(-2000))),
    )
    assert drying.leak(wet.conn, wet.job_id) == 0.02


def test_who_confirmed_is_kept_with_the_plan(wet: Wet) -> None:
    confirmed = Confirmed(Wet.tarik, "Tarik Brandt", NIGHT_US, "R-32")
    new = NewPlan(
        wet.job_id, wet.valve.id, 600.0, None, after(REPORT_S), drying=Drying(1, 60.0, 0.8, confirmed)
    )
    with wet.conn.transaction():
        plans.change(wet.conn, plans.lock(wet.conn, wet.plan_id), new, Wet.tarik, NIGHT_US)
    assert wet.plan.drying == Drying(1, 60.0, 0.8, confirmed)


def test_a_pump_that_stood_for_a_moment_did_not_run_all_along(wet: Wet) -> None:
    assert drying.pump_ran(wet.conn, wet.job_id, after(30))
    pump_stood_for_a_moment(wet)
    assert not drying.pump_ran(wet.conn, wet.job_id, after(30))
    assert drying.pump_ran(wet.conn, wet.job_id, after(1030))
    other = wet.job_id + 1000
    assert not drying.pump_ran(wet.conn, other, after(30))


def test_what_hinders_for_hours_reads_no_more_than_the_ends_of_a_batterys_day(
    wet: Wet, conn: Connection
) -> None:
    for minute in range(1440):
        at_us = NIGHT_US - minute * 60 * US
        conn.execute(
            "INSERT INTO reading (instrument_id, quantity, time, value, arrived) VALUES (%s, %s, %s, %s, %s)",
            (wet.gauge.id, int(Quantity.BATTERY_SHARE), to_datetime(at_us), 0.8, to_datetime(at_us)),
        )
    conn.execute(
        "INSERT INTO latest (instrument_id, quantity, time, value, arrived) VALUES (%s, %s, %s, 0.79, now())",
        (wet.gauge.id, int(Quantity.BATTERY_SHARE), to_datetime(NIGHT_US)),
    )
    ((name, samples),) = plans.charges(conn, wet.job_id)
    assert (name, len(samples)) == ("g1", 2)
    assert samples[0][0] == NIGHT_US - 1439 * 60 * US
