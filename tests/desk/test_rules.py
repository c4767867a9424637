"""Which event does what to the alerts."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from desk.core.life import Told
from desk.core.rules import RULES, Advise, Clear, Raising, leak_suspected, not_understood, steps
from model.alert import Priority
from model.event import Event, EventKind

NIGHT = 1_750_000_000_000_000
HOLD = f"hold:{NIGHT}"


def event(kind: EventKind, *, subject: str = HOLD, late_s: float = 2.0, **data: object) -> Event:
    return Event(
        id=7,
        kind=kind,
        happened_us=NIGHT,
        recorded_us=NIGHT + round(late_s * 1e6),
        text="What happened.",
        subject=subject,
        site_id=3,
        job_id=12,
        data=dict(data),
    )


def raised(of: Event) -> Told:
    """The one alert that an event raises."""
    (told,) = [step for step in steps(of) if isinstance(step, Told)]
    return told


def cleared(of: Event) -> dict[str, Clear]:
    """What an event clears, by key."""
    return {step.key: step for step in steps(of) if isinstance(step, Clear)}


def test_failed_hold_is_urgent_and_says_to_test_the_rig_first() -> None:
    told = raised(event(EventKind.HOLD_FAILED))
    assert (told.kind, told.priority) == ("hold-failed", Priority.URGENT)
    assert (told.site_id, told.job_id, told.happened_us, told.event_id) == (3, 12, NIGHT, 7)
    assert told.text == "What happened."
    assert told.action.startswith("Blank the rig off and test it alone first")
    assert "never open an isolation valve to a stopped pump" in told.action


def test_what_the_judgement_advises_about_a_fail_is_the_action() -> None:
    told = raised(event(EventKind.HOLD_FAILED, urgency="go-now", advice=["Go now: it is open.", "Look."]))
    assert told.priority is Priority.URGENT
    assert told.action.startswith("Go now: it is open. Look. Caution: never open an isolation valve")


def test_a_fail_that_can_wait_till_morning_is_less_than_urgent() -> None:
    told = raised(event(EventKind.HOLD_FAILED, urgency="can-wait", advice=["Can wait till morning."]))
    assert told.priority is Priority.HIGH


@pytest.mark.parametrize("given", [None, [], "Go now."])
def test_without_advice_of_the_judgement_the_rig_comes_first(given: object) -> None:
    told = raised(event(EventKind.HOLD_FAILED, urgency="soon", advice=given))
    assert told.priority is Priority.URGENT
    assert told.action.startswith("Blank the rig off and test it alone first")
    assert "to tell a leak from moisture" in told.action


def test_the_handbook_has_every_kind_of_alert() -> None:
    page = Path(__file__).parents[2] / "docs" / "reference" / "alerts.md"
    told = set(re.findall(r"^\| `([a-z-]+)` \|", page.read_text(), re.M))
    raising = {rule.do.kind for rule in RULES if isinstance(rule.do, Raising)}
    assert told == raising | {not_understood(event(EventKind.HOLD_FAILED)).kind}


def test_inconclusive_hold_is_medium() -> None:
    told = raised(event(EventKind.HOLD_INCONCLUSIVE))
    assert (told.kind, told.priority) == ("hold-inconclusive", Priority.MEDIUM)
    assert "hold again" in told.action


def test_a_hold_that_a_due_break_ended_asks_nobody_to_act() -> None:
    told = steps(event(EventKind.HOLD_INCONCLUSIVE, reason="broken-as-asked"))
    assert not [step for step in told if isinstance(step, Told)]


def test_all_verdicts_of_one_hold_share_a_key_and_two_holds_do_not() -> None:
    failed = raised(event(EventKind.HOLD_FAILED)).key
    assert raised(event(EventKind.HOLD_INCONCLUSIVE)).key == failed
    assert raised(event(EventKind.HOLD_FAILED, subject="hold:1")).key != failed


def test_pass_with_leak_probability_of_seven_tenths_raises_an_alert_of_its_own() -> None:
    # Hold rule, "What a pass can show": a pass with a leak probability of 0.7 or more.
    shares = {"leak": 0.5, "leak+moisture": 0.2}
    told = raised(event(EventKind.HOLD_PASSED, probabilities=shares, advice=["Do not charge yet."]))
    assert (told.kind, told.priority) == ("leak-suspected", Priority.MEDIUM)
    assert told.action.startswith("Do not charge yet. Caution:")


def test_pass_with_less_than_seven_tenths_raises_nothing_and_clears_its_hold() -> None:
    passed = event(EventKind.HOLD_PASSED, probabilities={"leak": 0.69, "tight": 0.31})
    assert not [step for step in steps(passed) if isinstance(step, Told)]
    this = cleared(passed)[f"job:12/hold:{HOLD}"]
    assert (this.is_prefix, this.before_us) == (False, None)


def test_pass_without_estimate_suspects_nothing() -> None:
    assert not leak_suspected(event(EventKind.HOLD_PASSED))


def test_later_pass_clears_the_alerts_of_earlier_holds_of_its_job_only() -> None:
    earlier = cleared(event(EventKind.HOLD_PASSED))["job:12/hold"]
    assert (earlier.is_prefix, earlier.before_us) == (True, NIGHT)


def test_suspected_pass_leaves_earlier_fails_standing() -> None:
    assert "job:12/hold" not in cleared(event(EventKind.HOLD_PASSED, probabilities={"leak": 0.9}))


def test_silence_during_a_hold_without_valve_report_is_high() -> None:
    told = raised(event(EventKind.SERIES_SILENT, phase="hold"))
    assert (told.kind, told.priority) == ("series-silent", Priority.HIGH)


def test_silence_with_the_valve_reported_closed_is_medium() -> None:
    assert raised(event(EventKind.SERIES_SILENT, by_valve=True)).priority is Priority.MEDIUM


def test_silence_outside_a_hold_asks_for_nothing() -> None:
    assert steps(event(EventKind.SERIES_SILENT, phase="pull-down")) == []


@pytest.mark.parametrize(
    "kind",
    [
        EventKind.HOLD_PASSED,
        EventKind.HOLD_FAILED,
        EventKind.HOLD_INCONCLUSIVE,
        EventKind.VACUUM_BROKEN,
        EventKind.EVACUATION_FINISHED,
        EventKind.EVACUATION_UNPROVEN,
    ],
)
def test_silence_is_cleared_by_a_verdict_or_the_end_unless_they_are_older(kind: EventKind) -> None:
    silent = raised(event(EventKind.SERIES_SILENT)).key
    clear = cleared(event(kind, subject="another"))["job:12/silence"]
    assert silent.startswith(clear.key)
    assert clear.before_us == NIGHT


def test_silence_is_cleared_by_readings_of_the_same_gauge_only() -> None:
    silent = raised(event(EventKind.SERIES_SILENT, subject="series:5")).key
    (same,) = cleared(event(EventKind.SERIES_BACK, subject="series:5")).values()
    (other,) = cleared(event(EventKind.SERIES_BACK, subject="series:6")).values()
    assert (same.key, same.is_prefix) == (silent, False)
    assert other.key != silent


def test_a_forecast_fail_is_high_and_asks_to_leave_the_valve_closed() -> None:
    told = raised(event(EventKind.HOLD_WILL_FAIL, verdict="running", probability=0.98))
    assert (told.kind, told.priority) == ("hold-will-fail", Priority.HIGH)
    assert told.text == "What happened."
    assert "leave the valve closed" in told.action
    assert "never open an isolation valve to a stopped pump" in told.action


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        (EventKind.HOLD_FAILED, {}),
        (EventKind.HOLD_PASSED, {}),
        (EventKind.HOLD_INCONCLUSIVE, {"reason": "reopened"}),
        (EventKind.HOLD_REVISED, {"verdict": "passed", "because": "late readings"}),
        (EventKind.HOLD_REVISED, {"verdict": None, "because": "late readings"}),
    ],
)
def test_a_forecast_is_cleared_by_the_verdict_of_its_own_hold(
    kind: EventKind, data: dict[str, object]
) -> None:
    key = raised(event(EventKind.HOLD_WILL_FAIL, verdict="running")).key
    clear = cleared(replace(event(kind), data=data))[key]
    assert not clear.is_prefix
    assert clear.before_us is None
    assert key not in cleared(replace(event(kind, subject="hold:another"), data=data))


@pytest.mark.parametrize("verdict", ["failed", "passed", "inconclusive"])
def test_a_forecast_that_comes_with_its_verdict_raises_nothing(verdict: str) -> None:
    assert not [
        step for step in steps(event(EventKind.HOLD_WILL_FAIL, verdict=verdict)) if isinstance(step, Told)
    ]


def test_a_cause_that_became_clearer_is_not_marked_late() -> None:
    clearer = event(EventKind.HOLD_REVISED, late_s=3 * 3600, verdict="failed", because="more readings")
    assert raised(clearer).text == "What happened. Revised: more readings."


def test_silence_is_never_marked_late() -> None:
    # It is told after a patience, and for a slow gauge that is long.
    assert "Late" not in raised(event(EventKind.SERIES_SILENT, late_s=7200)).text


def test_parked_judgement_is_high_until_the_job_is_judged_again() -> None:
    told = raised(event(EventKind.SERIES_PARKED, subject="whatever"))
    assert (told.kind, told.priority) == ("series-parked", Priority.HIGH)
    for kind in (EventKind.TARGET_REACHED, EventKind.HOLD_FAILED, EventKind.HOLD_AWAITING):
        clear = cleared(event(kind))["job:12/judgement"]
        assert told.key.startswith(clear.key)
        assert clear.before_us is None, "what is told late still shows that the judgement works"


@pytest.mark.parametrize(
    ("data", "priority"),
    [
        ({}, Priority.LOW),
        ({"target_reached": True}, Priority.LOW),
        ({"target_reached": False}, Priority.MEDIUM),
        ({"target_reached": True, "last_verdict": "failed"}, Priority.MEDIUM),
    ],
)
def test_unproven_end_is_low_and_medium_where_dryness_is_doubtful(
    data: dict[str, object], priority: Priority
) -> None:
    told = raised(replace(event(EventKind.EVACUATION_UNPROVEN), data=data))
    assert (told.kind, told.priority) == ("evacuation-unproven", priority)


def test_unproven_end_is_cleared_by_pumping_again_or_by_a_finish() -> None:
    key = raised(event(EventKind.EVACUATION_UNPROVEN)).key
    again = cleared(event(EventKind.PULL_DOWN_STARTED))["job:12/evacuation"]
    assert key.startswith(again.key)
    assert again.before_us == NIGHT, "an earlier pull-down told late does not clear it"
    assert "job:12/evacuation" in cleared(event(EventKind.EVACUATION_FINISHED))


def test_pass_revised_to_a_fail_raises_marked_with_the_reason() -> None:
    revised = event(EventKind.HOLD_REVISED, late_s=3 * 3600, verdict="failed", because="late readings")
    told = raised(revised)
    assert (told.kind, told.priority) == ("hold-failed", Priority.URGENT)
    assert told.text == "What happened. Revised: late readings. Late: known 3 h after it happened."
    assert "Late: known 3 h after it happened." in told.text


def test_fail_revised_to_a_pass_clears_with_the_reason() -> None:
    revised = event(EventKind.HOLD_REVISED, verdict="passed", because="late readings")
    clear = cleared(revised)[f"job:12/hold:{HOLD}"]
    assert clear.reason == "the hold passed. Revised: late readings."


@pytest.mark.parametrize("verdict", [None, "running", "awaiting-readings", "withdrawn"])
def test_withdrawn_verdict_clears_with_the_reason(verdict: str | None) -> None:
    revised = event(EventKind.HOLD_REVISED, verdict=verdict, because="late readings")
    assert not [step for step in steps(revised) if isinstance(step, Told)]
    clear = cleared(revised)[f"job:12/hold:{HOLD}"]
    assert clear.reason == "the verdict is withdrawn (late readings). What happened."
    assert clear.before_us is None


def test_fact_known_at_once_is_not_marked_late() -> None:
    assert "Late" not in raised(event(EventKind.HOLD_FAILED, late_s=599)).text
    assert "Late: known 11 min" in raised(event(EventKind.HOLD_FAILED, late_s=665)).text


def test_closing_a_job_clears_everything_of_that_job() -> None:
    (everything,) = cleared(event(EventKind.JOB_CLOSED)).values()
    assert (everything.key, everything.is_prefix) == ("job:12/", True)
    for kind in (EventKind.HOLD_FAILED, EventKind.SERIES_SILENT, EventKind.SERIES_PARKED):
        assert raised(event(kind)).key.startswith(everything.key)
    assert not_understood(event(EventKind.HOLD_FAILED)).key.startswith(everything.key)


@pytest.mark.parametrize(
    "kind",
    [EventKind.JOB_OPENED, EventKind.VALVE_REPORTED],
)
def test_what_asks_for_no_action_stays_an_event(kind: EventKind) -> None:
    assert steps(event(kind)) == []


@pytest.mark.parametrize("kind", list(EventKind))
def test_every_alert_asks_for_an_action(kind: EventKind) -> None:
    told = [step for step in steps(event(kind, verdict="failed")) if isinstance(step, Told)]
    assert all(step.action and step.text for step in told)


def test_nonsense_in_the_data_is_an_error_and_never_a_silent_pass() -> None:
    broken = event(EventKind.HOLD_PASSED, probabilities={"leak": "much"})
    with pytest.raises(ValueError, match="much"):
        steps(broken)
    told = not_understood(broken)
    assert told.priority is Priority.HIGH
    assert "What happened." in told.text


@pytest.mark.parametrize(
    ("kind", "action", "words"),
    [
        (EventKind.ORDER_EXPIRED, "open", "Nobody knows whether the valve opened"),
        (EventKind.ORDER_REFUSED, "open", "The valve was not opened"),
        (EventKind.ORDER_EXPIRED, "close", "Nobody knows whether the valve closed"),
        (EventKind.ORDER_FAILED, "close", "not isolated by this order"),
    ],
)
def test_what_to_do_about_an_order_depends_on_what_was_ordered(
    kind: EventKind, action: str, words: str
) -> None:
    assert words in raised(event(kind, subject="order:7", valve="gw1/v1", action=action)).action


@pytest.mark.parametrize("kind", [EventKind.ORDER_REFUSED, EventKind.ORDER_FAILED, EventKind.ORDER_EXPIRED])
def test_an_order_that_was_not_done_is_high_until_one_to_that_valve_is_done(kind: EventKind) -> None:
    told = raised(event(kind, subject="order:7", valve="gw1/v1"))
    assert (told.kind, told.priority) == ("order-not-done", Priority.HIGH)
    assert "if the pump stops with the valve open, air and oil go back into the circuit" in told.action
    assert told.key in cleared(event(EventKind.ORDER_DONE, subject="order:8", valve="gw1/v1"))
    assert told.key not in cleared(event(EventKind.ORDER_DONE, subject="order:8", valve="gw1/v2"))


def test_an_expired_order_says_that_nobody_knows_where_the_valve_stands() -> None:
    told = raised(event(EventKind.ORDER_EXPIRED, subject="order:7", valve="gw1/v1"))
    assert told.action.startswith("Nobody knows whether the valve closed")


def test_a_hold_that_began_all_the_same_ends_the_alert_of_an_order() -> None:
    told = raised(event(EventKind.ORDER_FAILED, subject="order:7", valve="gw1/v1"))
    (clear,) = (one for one in cleared(event(EventKind.HOLD_STARTED)).values() if "order" in one.key)
    assert clear.is_prefix
    assert told.key.startswith(clear.key)


def test_table_has_a_rule_for_each_kind_it_promises() -> None:
    ruled = {kind for rule in RULES for kind in rule.on}
    assert set(EventKind) - ruled == {
        EventKind.JOB_OPENED,
        EventKind.JOB_CHANGED,
        EventKind.JOB_REOPENED,
        EventKind.VALVE_REPORTED,
        # Whoever asked sees them on the page.
        EventKind.ORDER_ASKED,
        EventKind.ORDER_SENT,
        # Whoever checks at the site reads what came of it there.
        EventKind.GUIDED_CHECK,
        # It proves nothing that would end what was woken for.
        EventKind.OPENING_LEVEL,
    }


@pytest.mark.parametrize(
    ("kind", "data", "alert", "priority"),
    [
        (EventKind.GATEWAY_REFUSED, {}, "gateway-refused", Priority.MEDIUM),
        (EventKind.GATEWAY_OVER_LIMIT, {}, "gateway-over-limit", Priority.HIGH),
        (EventKind.CLOCK_WRONG, {"ahead_s": 42.0}, "clock-wrong", Priority.MEDIUM),
        (EventKind.CLOCK_WRONG, {"ahead_s": -900.0}, "clock-wrong", Priority.MEDIUM),
        (EventKind.CLOCK_WRONG, {"ahead_s": 301.0}, "clock-wrong", Priority.HIGH),
    ],
)
def test_alerts_of_gateways_have_keys_of_their_own_and_no_job_ends_them(
    kind: EventKind, data: dict[str, float], alert: str, priority: Priority
) -> None:
    told = raised(event(kind, subject="gateway:gw-7", gateway="gw-7", **data))
    assert (told.kind, told.priority) == (alert, priority)
    assert told.key.startswith("gateway:gw-7/")
    ending = EventKind.CLOCK_RIGHT if "clock" in told.key else EventKind.GATEWAY_REFUSED_NO_MORE
    assert told.key in cleared(event(ending, subject="gateway:gw-7"))
    assert told.key not in cleared(event(ending, subject="gateway:gw-70"))
    (everything,) = cleared(event(EventKind.JOB_CLOSED)).values()
    assert not told.key.startswith(everything.key)


def test_a_gateway_that_sends_too_much_is_the_same_alert_as_one_that_is_refused() -> None:
    keys = {
        raised(event(kind, subject="gateway:gw-7", gateway="gw-7")).key
        for kind in (EventKind.GATEWAY_REFUSED, EventKind.GATEWAY_OVER_LIMIT)
    }
    assert keys == {"gateway:gw-7/refused"}


def test_a_pump_stopped_with_the_valve_open_is_urgent_and_says_to_close_first() -> None:
    told = raised(event(EventKind.PUMP_STOPPED, subject="pump:1", by_curve=False, over=False))
    assert (told.kind, told.priority, told.key) == ("pump-stopped-open", Priority.URGENT, "job:12/pump")
    assert told.action.startswith("Have the isolation valve closed at once")
    assert "open only to a pump that runs" in told.action
    assert raised(event(EventKind.PUMP_STOPPED, by_curve=True)).priority is Priority.HIGH
    assert "job:12/pump" in cleared(event(EventKind.PUMP_STOP_OVER))
    assert "job:12/pump" in cleared(event(EventKind.HOLD_STARTED))


def test_a_stop_that_was_over_when_it_was_learned_of_raises_nothing() -> None:
    assert steps(event(EventKind.PUMP_STOPPED, by_curve=False, over=True)) == []


def test_a_valve_opened_to_a_pump_that_stood_is_urgent() -> None:
    told = raised(event(EventKind.HOLD_INCONCLUSIVE, reason="reopened", urgency="go-now", advice=["Go now."]))
    assert told.priority is Priority.URGENT
    assert raised(event(EventKind.HOLD_INCONCLUSIVE, reason="reopened")).priority is Priority.MEDIUM


def test_an_early_call_is_as_urgent_as_its_advice() -> None:
    now = raised(
        event(EventKind.HOLD_WILL_FAIL, urgency="go-now", advice=["Go now: it is expected to fail."])
    )
    assert now.priority is Priority.URGENT
    assert now.action.startswith("Go now: it is expected to fail. Caution:")
    wait = raised(event(EventKind.HOLD_WILL_FAIL, urgency="can-wait", advice=["Can wait."]))
    assert wait.priority is Priority.HIGH
    assert raised(event(EventKind.HOLD_WILL_FAIL)).action.startswith("An estimate, and no verdict")


def test_advice_alone_changes_what_an_alert_asks_for() -> None:
    (step,) = steps(event(EventKind.HOLD_ADVISED, urgency="can-wait", advice=["Can wait: 8 h on, about 90."]))
    assert isinstance(step, Advise)
    assert step.key == f"job:12/hold:{HOLD}"
    assert step.action.startswith("Can wait: 8 h on, about 90. Caution:")
