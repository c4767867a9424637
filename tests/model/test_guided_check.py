"""Presses of a guided check, in whatever order they come."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from model.clock import US
from model.errors import BadInput
from model.guided_check import LONGEST_US, Course, Press, Step, Stretch, course_of, sections_of

NAMES = ("Low stage", "Receiver")


def steps(*presses: Press) -> list[Step]:
    return [Step(n, press, n * US, NAMES if press is Press.NAME else ()) for n, press in enumerate(presses)]


def test_the_whole_is_watched_and_then_without_each_section() -> None:
    course = course_of(steps(Press.NAME, *[Press.BEGIN, Press.READ] * 3))
    assert course == Course(
        NAMES, (Stretch(1 * US, 2 * US), Stretch(3 * US, 4 * US), Stretch(5 * US, 6 * US))
    )
    assert course.over
    assert course.after(Step(9, Press.BEGIN, 9 * US)) == course
    assert len(course.after(Step(9, Press.AGAIN, 9 * US)).stretches) == 2
    assert course.after(Step(9, Press.ANEW, 9 * US)) == Course()


@given(st.lists(st.sampled_from(Press), max_size=30))
def test_no_order_of_presses_leaves_two_stretches_running_or_one_too_many(presses: list[Press]) -> None:
    course = course_of(steps(*presses))
    assert [one for one in course.stretches[:-1] if one.ended_us is None] == []
    assert len(course.stretches) <= len(course.sections) + 1
    edges = [edge for one in course.stretches for edge in (one.start_us, one.ended_us) if edge is not None]
    assert edges == sorted(edges)


def test_a_stretch_never_lasts_longer_than_is_of_use() -> None:
    assert Stretch(0).end_us(LONGEST_US + 5) == LONGEST_US
    assert Stretch(0, 60 * US).end_us(LONGEST_US + 5) == 60 * US


@pytest.mark.parametrize(
    "lines", [[], [" ", ""], [f"s{n}" for n in range(13)], ["x" * 61], ["bell \x07"]], ids=repr
)
def test_sections_that_cannot_be_named_are_refused(lines: list[str]) -> None:
    with pytest.raises(BadInput):
        sections_of(lines)
    assert sections_of([" Low stage ", "", "Receiver", "Low stage"]) == NAMES
