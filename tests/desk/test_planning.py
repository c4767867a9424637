"""The plan runner on the real store: the database is all that is left of a desk that was killed."""

from __future__ import annotations

import threading

import psycopg
import pytest

from desk.core import plan as core
from desk.worker import alerting, expiry, planning, watching
from desk.worker.passing import Outlets
from model.channel import Kind, Tells
from model.clock import US, HandClock, to_datetime
from model.equipment import Position, Role
from model.errors import Conflict
from model.event import EventKind
from model.hold_plan import HoldPlan, PlanEnd, PlanState
from model.order import Order, OrderResult, OrderState
from model.reading import Quantity, Valve
from store import channels, equipment, jobs, people, plans, procedures
from store.audit import By
from store.channels import NewChannel
from store.database import Connection, connect
from store.plans import NewPlan
from tests.desk.facts import NIGHT_US, all_alerts
from tests.desk.test_watching import Bench, after

REPORT_S = 12 * 3600.0


class Site(Bench):
    """The bench with a target that was held, and a plan."""

    plan_id = 1

    def make(self, not_before_s: float | None = None) -> None:
        new = NewPlan(
            self.job_id,
            self.valve.id,
            600.0,
            None if not_before_s is None else after(not_before_s),
            after(REPORT_S),
        )
        with self.conn.transaction():
            assert plans.add(self.conn, new, None, NIGHT_US) == self.plan_id

    @property
    def plan(self) -> HoldPlan:
        return plans.by_id(self.conn, self.plan_id)

    def valve_says(self, position: Valve, at_us: int) -> None:
        self.tell(self.valve, Quantity.VALVE, at_us, position)

    def desk(self, at_us: int, times: int = 2) -> None:
        """Whatever desks do then; anew each time, as after a kill."""
        for _ in range(times):
            expiry.work_off(self.conn, HandClock(at_us))
            watching.work_off(self.conn, HandClock(at_us))
            planning.work_off(self.conn, HandClock(at_us))

    def judged(self, verdict: str, text: str, begin_us: int) -> None:
        self.conn.execute(
            "INSERT INTO hold_test (job_id, started_at, verdict, reason, text, decided_at, detail) "
            "VALUES (%s, %s, %s, '', %s, now(), '{}')",
            (self.job_id, to_datetime(begin_us), verdict, text),
        )

    def log(self) -> list[str]:
        return [line["text"] for line in plans.log(self.conn, self.plan_id)]

    def alerts(self, at_us: int) -> list[tuple[str, str]]:
        alerting.work_off(self.conn, HandClock(at_us), Outlets((), "urn:test"))
        return [(alert.kind, alert.state.value) for alert in all_alerts(self.conn)]


@pytest.fixture
def site(conn: Connection, job_id: int) -> Site:
    place = jobs.by_id(conn, job_id).site_id
    gateway, _ = equipment.add_gateway(conn, "gw1", place, to_datetime(NIGHT_US))
    valve = equipment.add_instrument(conn, gateway.id, "v1", Role.VALVE, Position.PUMP)
    gauge = equipment.add_instrument(conn, gateway.id, "g1", Role.GAUGE, interval_s=10)
    for one, deciding in ((valve, False), (gauge, True)):
        jobs.assign(conn, job_id, one.id, NIGHT_US - 3600 * US, deciding=deciding)
    made = Site(conn, job_id, valve, gauge)
    made.presence(online=True)
    made.valve_says(Valve.OPEN, NIGHT_US)
    low = 0.8 * procedures.default(conn).target_pa
    made.pressures(NIGHT_US - 1200 * US, NIGHT_US, lambda _: low)
    conn.execute(
        "INSERT INTO phase (job_id, kind, started_at) VALUES (%s, 'pull-down', %s)",
        (job_id, to_datetime(NIGHT_US - 7200 * US)),
    )
    conn.execute(
        "INSERT INTO fact (job_id, kind, subject_at, happened_at, text, data) "
        "VALUES (%s, %s, %s, %s, '', '{}')",
        (
            job_id,
            EventKind.TARGET_REACHED,
            to_datetime(NIGHT_US - 7200 * US),
            to_datetime(NIGHT_US - 900 * US),
        ),
    )
    return made


def closing(site: Site) -> Order:
    site.make()
    site.desk(NIGHT_US)
    (order,) = site.closes()
    return order


def closed(site: Site) -> None:
    order = closing(site)
    site.valve_says(Valve.CLOSED, after(20))
    site.settle(order, OrderResult.DONE, after(20))
    site.desk(after(30))
    assert site.plan.progress.state is PlanState.HOLDING


@pytest.mark.parametrize(("verdict", "end"), [("passed", PlanEnd.PASSED), ("failed", PlanEnd.FAILED)])
def test_a_night_by_a_plan(site: Site, verdict: str, end: PlanEnd) -> None:
    closed(site)
    (order,) = site.closes()
    assert (order.reason, order.asked_by) == ("Hold plan 1: the target was held", None)
    site.judged(verdict, f"The hold {verdict}.", after(20))
    site.desk(after(9 * 3600))
    assert (site.plan.progress.state, site.plan.progress.end) == (PlanState.ENDED, end)
    site.desk(after(REPORT_S))
    assert site.alerts(after(REPORT_S)) == [("plan-report", "active-unacknowledged")]
    (alert,) = all_alerts(site.conn)
    assert alert.text == f"Plan 1: The hold {verdict}."
    assert len(site.closes()) == 1
    assert site.log()[0].startswith("The valve is ordered closed")
    assert site.log()[-1] == f"Told how it went: Plan 1: The hold {verdict}."
    assert site.conn.execute("SELECT FROM timer WHERE kind = %s", (plans.LOOK,)).fetchall() == []


def test_how_it_went_goes_to_each_whom_the_plan_tells_and_to_nobody_else(site: Site) -> None:
    now = to_datetime(NIGHT_US)
    whom = [people.register(site.conn, name, name.title(), "technician", now, None) for name in "abc"]
    for one in whom:
        box = f"{one.login}@example.org"
        mail = NewChannel(Kind.MAIL, one.login, box, (Tells.PLANS,), address=box)
        channels.add(site.conn, one.id, mail, By(now))
    new = NewPlan(site.job_id, site.valve.id, 600.0, None, after(REPORT_S), tell=(whom[0].id, whom[2].id))
    with site.conn.transaction():
        plans.add(site.conn, new, whom[1].id, NIGHT_US)
    site.desk(after(REPORT_S))
    told = site.conn.execute(
        "SELECT c.person_id FROM notification n JOIN channel c ON c.id = n.channel_id "
        "WHERE n.reason = 'plan-report' ORDER BY 1"
    ).fetchall()
    assert [row["person_id"] for row in told] == [whom[0].id, whom[2].id]


def test_a_desk_that_dies_before_its_commit_leaves_neither_order_nor_state(site: Site) -> None:
    site.make()

    def killed() -> None:
        with site.conn.transaction():
            planning.work_off(site.conn, HandClock(NIGHT_US))
            assert len(site.closes()) == 1
            raise InterruptedError

    with pytest.raises(InterruptedError):
        killed()
    assert (site.closes(), site.plan.progress.state) == ([], PlanState.WAITING)
    site.desk(NIGHT_US)
    assert len(site.closes()) == 1


def test_three_hours_without_a_desk_while_the_close_is_under_way(site: Site) -> None:
    order = closing(site)
    site.valve_says(Valve.CLOSED, after(20))
    site.settle(order, OrderResult.DONE, after(20))
    site.desk(after(3 * 3600))
    assert site.plan.progress.closed_us == after(20)
    assert len(site.closes()) == 1


def test_two_desks_give_one_order(site: Site, database: str) -> None:
    site.make()
    begun = threading.Barrier(2)

    def desk() -> None:
        with connect(database, application="test", autocommit=True) as conn:
            begun.wait(10)
            planning.work_off(conn, HandClock(NIGHT_US))

    desks = [threading.Thread(target=desk) for _ in range(2)]
    for one in desks:
        one.start()
    for one in desks:
        one.join(30)
    assert len(site.closes()) == 1
    assert site.log() == ["The valve is ordered closed (order 1)."]


def test_it_waits_for_its_hour_and_for_what_hinders(site: Site) -> None:
    site.make(not_before_s=3600)
    site.desk(after(10))
    assert (site.closes(), site.log()) == ([], [])


def test_who_is_hindered_is_told_of_after_ten_minutes_and_the_alert_ends_with_the_hold(site: Site) -> None:
    site.presence(online=False)
    site.make()
    site.desk(NIGHT_US)
    assert site.closes() == []
    assert "out of reach" in site.plan.progress.blocked[0]
    low = 0.8 * procedures.default(site.conn).target_pa
    for second in range(60, 660, 60):
        site.pressures(after(second - 50), after(second), lambda _: low)
        site.valve_says(Valve.OPEN, after(second))
        site.desk(after(second))
    assert site.alerts(after(660)) == [("plan-blocked", "active-unacknowledged")]
    assert len(site.log()) == 1
    site.presence(online=True)
    site.pressures(after(610), after(680), lambda _: low)
    site.desk(after(680))
    (order,) = site.closes()
    site.valve_says(Valve.CLOSED, after(690))
    site.settle(order, OrderResult.DONE, after(690))
    site.desk(after(700))
    assert site.alerts(after(700)) == [("plan-blocked", "cleared-unacknowledged")]


def test_a_battery_of_which_too_little_is_known_hinders_unless_a_person_accepts_it(site: Site) -> None:
    site.tell(site.gauge, Quantity.BATTERY_SHARE, NIGHT_US, 0.8)
    site.make()
    site.desk(NIGHT_US)
    assert site.closes() == []
    assert "battery of g1" in site.plan.progress.blocked[0]
    new = NewPlan(site.job_id, site.valve.id, 600.0, None, after(REPORT_S), ("battery",), "It is new.")
    with site.conn.transaction():
        plans.change(site.conn, plans.lock(site.conn, site.plan_id), new, None, NIGHT_US)
    site.desk(after(5))
    assert len(site.closes()) == 1


def test_a_battery_with_a_curve_that_lasts_hinders_nothing(site: Site) -> None:
    for hour in range(13):
        at_us = NIGHT_US - (12 - hour) * 3600 * US
        site.tell(site.gauge, Quantity.BATTERY_SHARE, at_us, 0.8 - 0.001 * hour)
    assert closing(site).state is OrderState.ASKED


def test_called_off_no_order_follows(site: Site) -> None:
    order = closing(site)
    with site.conn.transaction():
        found = plans.lock(site.conn, site.plan_id)
        done = core.call_off(found, "Tarik")
        plans.write(site.conn, found.id, done.progress)
        plans.note(site.conn, found.id, done.lines, after(5))
    assert "may still be carried out" in site.log()[-1]
    site.settle(order, OrderResult.FAILED, after(20))
    for hours in (1, 13):
        site.desk(after(hours * 3600))
    assert len(site.closes()) == 1
    assert site.plan.progress.reported is False


def test_a_valve_has_one_plan(site: Site) -> None:
    site.make()
    with pytest.raises(Conflict, match="has a plan already"):
        site.make()


def test_state_and_progress_cannot_part(site: Site) -> None:
    site.make()
    with pytest.raises(psycopg.errors.CheckViolation):
        site.conn.execute("UPDATE hold_plan SET state = 'ended'")
