"""The rule of a hold test at its end and where readings are missing: every clause with its reason code."""

from __future__ import annotations

from dataclasses import replace

from analytics.core.track import Sample
from model.judgement import Verdict
from model.reading import Quantity, Valve
from tests.analytics.core.curves import (
    GAUGE,
    ISOLATION_VALVE,
    THERMOMETER,
    USUAL,
    at,
    flat,
    held,
    instrument,
    judge,
    only,
    pressure,
    pull_down,
    report,
    settings,
    state,
    step,
    without,
)

# The end ---------------------------------------------------------------------------------------------


def test_over_at_the_end_but_not_long_enough_extends_and_fails() -> None:
    hold = only(held(step(1750, 50, 400)))
    assert (hold.verdict, hold.decided_us) == (Verdict.FAILED, at(1840))
    assert hold.planned_end_us == at(1800)
    assert any("extended" in remark for remark in hold.remarks)


def test_over_at_the_end_and_below_again_passes_after_the_extension() -> None:
    hold = only(held(step(1750, 50, 400, 1785)))
    assert (hold.verdict, hold.decided_us) == (Verdict.PASSED, at(1860))


def test_over_at_the_end_and_opened_is_inconclusive() -> None:
    hold = only(held(step(1750, 50, 400), opened_s=1810))
    assert (hold.verdict, hold.reason) == (Verdict.INCONCLUSIVE, "over-at-end")


def test_over_at_the_end_without_readings_for_the_extension_is_awaited_then_inconclusive() -> None:
    samples = held(step(1750, 50, 400), length_s=1800)
    assert only(samples, now_s=2000).verdict is Verdict.AWAITING
    assert only(samples, now_s=1800 + 86_400).reason == "over-at-end"


def test_opened_before_the_end_is_inconclusive() -> None:
    hold = only(held(flat(50), opened_s=1799))
    assert (hold.verdict, hold.reason) == (Verdict.INCONCLUSIVE, "reopened")
    assert hold.decided_us == hold.end_us == at(1799)


def test_moving_is_opening() -> None:
    samples = [*held(flat(50)), report(900, Valve.MOVING), report(910, Valve.CLOSED)]
    holds = judge(samples).holds
    assert [hold.reason for hold in holds] == ["reopened", "running"]


def test_opened_at_the_end_is_passed() -> None:
    assert only(held(flat(50), opened_s=1800)).verdict is Verdict.PASSED


def test_a_position_unknown_for_a_while_ends_no_hold_and_is_remarked() -> None:
    samples = [*held(flat(50)), report(900, Valve.UNKNOWN), report(910, Valve.CLOSED)]
    hold = only(samples)
    assert hold.verdict is Verdict.PASSED
    assert any("did not report closed" in remark for remark in hold.remarks)


def test_repeated_reports_of_closed_are_one_hold() -> None:
    samples = [*held(flat(50)), *[report(60 * i, Valve.CLOSED) for i in range(1, 30)]]
    assert only(samples).verdict is Verdict.PASSED


# Missing readings ------------------------------------------------------------------------------------


def test_missing_end_is_awaited_until_patience_is_over() -> None:
    samples = held(flat(50), length_s=1700)
    assert only(samples, now_s=1801).verdict is Verdict.RUNNING
    hold = only(samples, now_s=1861)
    assert (hold.verdict, hold.reason, hold.decided_us) == (Verdict.AWAITING, "awaiting-readings", None)
    hold = only(samples, now_s=1800 + 86_400)
    assert (hold.verdict, hold.reason) == (Verdict.INCONCLUSIVE, "gap-over-end")
    assert hold.decided_us == at(1800 + 86_400)


def test_patience_is_the_procedures() -> None:
    short = settings(replace(USUAL, patience_s=600))
    assert only(held(flat(50), length_s=1700), short, now_s=2400).reason == "gap-over-end"


def test_a_view_names_the_moment_at_which_time_alone_changes_it() -> None:
    samples = held(flat(50), length_s=1700)
    assert judge(samples).wake_us == at(1800)
    for now in (1800, 1859.999):
        assert only(samples, now_s=now).verdict is Verdict.RUNNING
    assert judge(samples, now_s=1800).wake_us == at(1860)
    assert judge(samples, now_s=1860).wake_us == at(1800 + 86_400)


def test_the_end_is_seen_where_the_next_reading_was_due_after_it() -> None:
    samples = held(flat(50), length_s=1790)
    assert only(samples, now_s=1849).verdict is Verdict.RUNNING
    assert only(samples, now_s=1861).verdict is Verdict.PASSED


def test_a_gap_over_the_end_is_inconclusive_although_both_sides_are_below() -> None:
    samples = without(held(flat(50), length_s=2500), 1780, 1850)
    assert only(samples).verdict is Verdict.AWAITING
    assert only(samples, now_s=90_000).reason == "gap-over-end"


def test_sixty_seconds_without_a_reading_are_no_gap() -> None:
    samples = without(held(flat(50), length_s=2500), 1770, 1830)
    assert only(samples).verdict is Verdict.PASSED


def test_gaps_over_a_tenth_are_inconclusive() -> None:
    samples = without(without(held(flat(50)), 300, 400), 900, 1000)
    assert only(samples).verdict is Verdict.AWAITING
    assert only(samples, now_s=90_000).reason == "gaps-over-tenth"


def test_gaps_of_a_tenth_exactly_are_not_more_than_a_tenth() -> None:
    samples = without(held(flat(50)), 300, 480)
    assert only(samples).verdict is Verdict.PASSED
    samples = without(held(flat(50)), 300, 490)
    assert only(samples, now_s=90_000).reason == "gaps-over-tenth"


def test_a_gap_proves_nothing_but_with_the_valve_reported_closed_and_no_cooling() -> None:
    samples = without(held(flat(50), length_s=2500), 300, 1900)
    closed = [report(1900, Valve.CLOSED)]
    warm = [
        state(0, Quantity.TEMPERATURE, 293.0, THERMOMETER),
        state(1900, Quantity.TEMPERATURE, 293.0, THERMOMETER),
    ]
    cooled = [warm[0], state(1900, Quantity.TEMPERATURE, 292.0, THERMOMETER)]
    assert only([*samples, *closed, *warm], now_s=90_000).verdict is Verdict.PASSED
    assert only([*samples, *closed, *cooled], now_s=90_000).reason == "gap-over-end"
    assert only([*samples, *closed], now_s=90_000).reason == "gap-over-end"
    assert only([*samples, *warm], now_s=90_000).reason == "gap-over-end"
    unknown = [report(900, Valve.UNKNOWN)]
    assert only([*samples, *closed, *warm, *unknown], now_s=90_000).reason == "gap-over-end"


def test_a_gap_with_a_value_over_the_limit_behind_it_is_not_excused() -> None:
    samples = without(held(step(1000, 50, 400), length_s=2500), 300, 1900)
    samples += [
        report(1900, Valve.CLOSED),
        state(0, Quantity.TEMPERATURE, 293.0, THERMOMETER),
        state(1900, Quantity.TEMPERATURE, 293.0, THERMOMETER),
    ]
    assert only(samples, now_s=90_000).reason == "gap-over-end"


def test_two_readings_over_the_limit_with_silence_between_are_not_without_a_break() -> None:
    samples = without(held(step(600, 50, 400, 1200)), 640, 1190)
    assert only(samples, now_s=90_000).reason == "gaps-over-tenth"


def test_many_gaps_of_a_long_hold_are_all_counted() -> None:
    # 70 gaps of 70 s are 4,900 s of ten hours: more than a tenth.
    long = settings(replace(USUAL, hold_s=36_000))
    samples = [
        one for one in held(flat(50), length_s=36_100) if not (one.time_us > at(0) and gap_at(one, 70))
    ]
    assert only(samples, long, now_s=200_000).reason == "gaps-over-tenth"
    samples = [
        one for one in held(flat(50), length_s=36_100) if not (one.time_us > at(0) and gap_at(one, 50))
    ]
    assert only(samples, long, now_s=200_000).verdict is Verdict.PASSED


def gap_at(one: Sample, gaps: int) -> bool:
    seconds = (one.time_us - at(0)) / 1e6
    return seconds < 500 * gaps and 0 < seconds % 500 < 70


def test_gap_length_follows_the_interval_that_is_seen() -> None:
    slow = settings(USUAL, instrument(GAUGE, interval_s=60), ISOLATION_VALVE)
    samples = [report(-1800, Valve.OPEN), *pull_down(interval_s=60), report(0, Valve.CLOSED)]
    samples += pressure(flat(50), 0, 2400, 60)
    assert only(without(samples, 600, 900), slow).verdict is Verdict.PASSED
    assert only(without(samples, 600, 960), slow, now_s=90_000).reason == "gaps-over-tenth"
