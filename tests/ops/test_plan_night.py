"""Hold plans end to end: real processes and broker, the simulator's gateways and valves, time by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from model.clock import US, to_us
from model.hold_plan import PlanEnd, PlanState
from tests.desk.facts import all_alerts
from tests.ops.night import HOLD_S, Night, night

pytestmark = [pytest.mark.once, pytest.mark.timeout(600)]

NIGHT = datetime(2026, 9, 21, 22, 30, tzinfo=UTC)
"""Half past midnight in Berlin."""
NIGHT_US = to_us(NIGHT)
MINUTE = 60
OUTAGE_S = 2 * 3600


def ended(n: Night, *names: str) -> bool:
    return all(not n.of(name).progress.state.live for name in names)


def alerts(n: Night, name: str) -> list[str]:
    job_id = n.sites[name].job_id
    return [alert.kind for alert in all_alerts(n.conn) if alert.job_id == job_id and alert.state.active]


def test_a_night_of_four_plans_with_everybody_killed_at_each_of_their_states(
    database: str, tmp_path: Path
) -> None:
    """One tight, one leaking, one wet and dried by the second round, one out of reach for two hours."""
    sites = {"tight": "tight", "leaking": "leak", "wet": "wet", "away": "tight"}
    gone = (15 * MINUTE, 15 * MINUTE + OUTAGE_S)
    with night(database, tmp_path, NIGHT_US, sites, off={"away": gone}) as n:
        for name in ("tight", "leaking", "wet"):
            n.plan(name, dry=3)
        # At its report nothing is known yet: half an hour later the readings come.
        n.plan("away", dry=3, report_at="02:15")
        n.until(lambda: n.of("away").progress.reported, "the report", kill_at_each_state=True)
        away = n.view("away")
        assert (away["state"], away["end"]) == ("holding", None)
        assert "awaiting readings" in away["text"]
        assert "believed closed since" in away["text"]
        assert away["closed_at"] < away["out_of_reach_since"]
        n.until(lambda: ended(n, *sites), "the end of all four", kill_at_each_state=True)
        found = {name: n.of(name).progress for name in sites}
        logs = {name: n.log(name) for name in sites}
        assert {name: one.end for name, one in found.items()} == {
            "tight": PlanEnd.PASSED, "leaking": PlanEnd.FAILED, "wet": PlanEnd.PASSED, "away": PlanEnd.PASSED,
        }, logs  # fmt: skip
        # Whoever was killed: each order was given once, and no valve moved without one.
        assert n.orders("tight") == n.orders("leaking") == n.orders("away") == ["close done"]
        assert n.orders("wet") == ["close done", *2 * ["open done", "close done"]]
        assert {name: held.opened for name, held in n.sites.items()} == {
            "tight": 0, "leaking": 0, "wet": 2, "away": 0,
        }  # fmt: skip
        assert {held.position for held in n.sites.values()} == {"closed"}
        assert found["wet"].rounds == 2, logs["wet"]
        states = [state.value for state in n.sites["wet"].states]
        once = ["weighing", "opening", "drying", "closing", "holding"]
        assert [one for one in states if one in once] == ["closing", "holding", *once, *once]
        assert sum("Verdict: Failed" in line for line in logs["wet"]) == 2
        assert "is not moisture" in found["leaking"].stop[0], logs["leaking"]
        assert "hold-failed" in alerts(n, "leaking")
        assert "hold-failed" not in alerts(n, "wet")
        assert alerts(n, "tight") == []


def test_an_order_that_comes_late_a_pump_that_stops_and_two_hours_without_a_server(
    database: str, tmp_path: Path
) -> None:
    sites = {"late": "wet", "pump": "wet", "open": "wet"}
    with night(database, tmp_path, NIGHT_US, sites) as n:
        for name in sites:
            n.plan(name, dry=2, report_at="06:30")
        n.until(lambda: all(n.of(name).progress.state is PlanState.HOLDING for name in sites), "the holds")
        late, pump = n.sites["late"], n.sites["pump"]
        late.keeps_orders = True
        pump.before_order = pump.site.stop_pump

        # The pump stops between order and act: the server cannot know, the gateway refuses.
        n.until(lambda: any("pump is not running" in line for line in n.log("pump")), "the refusal")
        assert n.orders("pump")[-1] == "open refused"
        # The other order lies with the broker, expires, and comes in the same session all the same: by the
        # gateway's own uptime it is new. The plan knows that it may, and closes the valve again.
        n.until(lambda: "open expired" in n.orders("late"), "the order to expire")
        assert n.of("late").progress.state is PlanState.DRYING
        late.keeps_orders = False
        ((instrument, payload),) = late.kept
        late.site.order(instrument, payload)
        n.until(lambda: ended(n, "late", "pump"), "the end of two")
        for name in ("late", "pump"):
            assert n.of(name).progress.end is PlanEnd.FAILED, n.log(name)
            assert "hold-failed" in alerts(n, name)
            assert n.sites[name].position == "closed"
        assert (late.opened, pump.opened) == (1, 0)

        # Once more, for a session that is over: it opens nothing.
        assert late.site.gateway is not None
        late.site.gateway.session = "another"
        late.site.valve._known.clear()  # type: ignore[union-attr]
        late.site.order(instrument, payload)
        n.step(10.0)
        assert (late.opened, late.position) == (1, "closed")

        # Two hours without a server while a valve is open to its pump. Who comes back may know the pump's
        # reports by then or not yet: in either case the valve is closed before anything else.
        assert n.of("open").progress.state is PlanState.DRYING
        n.kill_all()
        for _ in range(OUTAGE_S // MINUTE):
            n.step(60.0)
        assert n.sites["open"].position == "open"
        n.start_all()
        n.until(lambda: n.of("open").progress.state not in (PlanState.DRYING, PlanState.CLOSING), "the close")
        assert n.orders("open") == ["close done", "open done", "close done"]
        assert (n.sites["open"].opened, n.sites["open"].position) == (1, "closed")
        plan = n.of("open").progress
        assert plan.rounds == 1
        assert (plan.state is PlanState.HOLDING) != (plan.end is PlanEnd.FAILED), n.log("open")


@pytest.mark.parametrize(
    ("begin", "not_before", "report_at"),
    [
        # 02:30 does not come: it is the moment of the skip.
        (datetime(2026, 3, 29, 0, 48, tzinfo=UTC), "02:30", "03:45"),
        # 02:10 was, and comes again.
        (datetime(2026, 10, 25, 0, 58, tzinfo=UTC), "02:10", "02:55"),
    ],
    ids=["to summer time", "from summer time"],
)
def test_a_night_in_which_the_clocks_are_changed(
    database: str,
    tmp_path: Path,
    begin: datetime,
    not_before: str,
    report_at: str,
) -> None:
    with night(database, tmp_path, to_us(begin), {"tight": "tight"}) as n:
        n.plan("tight", not_before=not_before, report_at=report_at)
        n.until(lambda: n.of("tight").progress.reported, "the report")
        plan = n.of("tight")
        assert plan.progress.end is PlanEnd.PASSED, n.log("tight")
        closes, reports = timedelta(minutes=12), timedelta(minutes=57)
        closed_us = plan.progress.closed_us or 0
        assert to_us(begin + closes) <= closed_us <= to_us(begin + closes + timedelta(minutes=2))
        assert to_us(begin + reports) <= n.clock.now_us() <= to_us(begin + reports + timedelta(minutes=2))
        # Half an hour of hold is half an hour in this night too.
        (row,) = n.conn.execute("SELECT detail FROM hold_test WHERE job_id = %s", (plan.job_id,)).fetchall()
        hold = row["detail"]
        assert hold["planned_end_us"] - hold["start_us"] == round(HOLD_S * US)
        assert alerts(n, "tight") == ["plan-report"]
