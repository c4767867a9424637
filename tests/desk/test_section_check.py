"""Which section leaks, from rises that are made with Q = V · dP/dt."""

from __future__ import annotations

import random

import pytest

from desk.core.section_check import Finding, Rise, compare, conclusion, rig_words, rise
from model.clock import US

Q = 2e-4
"""A leak [Pa·m³/s]."""


def stretch(seed: int, leak: float, volume_m3: float, seconds: int = 300, noise: float = 0.003) -> Rise:
    """Readings each 10 s at 60 Pa, with the noise of a gauge."""
    dice = random.Random(seed)
    at = [n * US for n in range(0, seconds + 1, 10)]
    values = [(60.0 + leak / volume_m3 * t / US) * (1 + dice.gauss(0, noise)) for t in at]
    found = rise(at, values, 0, seconds * US)
    assert found is not None
    return found


@pytest.mark.parametrize("seed", range(20))
def test_the_section_that_ends_the_rise_is_the_one_that_leaks(seed: int) -> None:
    whole = stretch(seed, Q, 0.012)
    without_the_leaking, without_another = stretch(seed + 100, 0.0, 0.008), stretch(seed + 200, Q, 0.008)
    assert whole.pa_per_s == pytest.approx(Q / 0.012, rel=0.2)
    assert compare(whole, without_the_leaking) is Finding.IN_IT
    assert compare(whole, without_another) is Finding.NOT_IN_IT


def test_two_leaks_are_not_told_apart_by_force() -> None:
    # Half of the gas in each: without one of them the rest of the same volume rises at two thirds.
    whole, without = stretch(1, Q, 0.012), stretch(2, 0.66 * Q, 0.012)
    assert compare(whole, without) is Finding.OPEN


def test_a_whole_that_stands_has_nothing_to_find_in_it() -> None:
    whole = stretch(3, 0.0, 0.012)
    assert not whole.told
    assert compare(whole, stretch(4, 0.0, 0.008)) is Finding.OPEN
    assert "nothing can be found" in conclusion(whole, [])


def test_too_short_or_too_thin_a_stretch_tells_nothing() -> None:
    at = [n * US for n in range(0, 301, 10)]
    assert rise(at, [60.0] * len(at), 0, 179 * US) is None
    assert rise(at[::8], [60.0] * len(at[::8]), 0, 300 * US) is None
    assert rise([], [], 0, 300 * US) is None


def test_the_first_minute_is_left_to_evening_out() -> None:
    at = [n * US for n in range(0, 301, 10)]
    values = [50.0 if t < 60 * US else 60.0 for t in at]
    found = rise(at, values, 0, 300 * US)
    assert found is not None
    assert not found.told


def test_the_result_names_the_sections() -> None:
    whole = stretch(5, Q, 0.012)
    said = conclusion(whole, [("Low stage", Finding.IN_IT), ("Receiver", Finding.NOT_IN_IT)])
    assert "without Low stage: look for the leak there" in said
    assert "Not in Receiver" in said
    none = conclusion(whole, [("Low stage", Finding.NOT_IN_IT), ("Receiver", Finding.NOT_IN_IT)])
    assert "In none of them" in none
    both = conclusion(whole, [("A", Finding.IN_IT), ("B", Finding.IN_IT)])
    assert "a valve between them may not close" in both


def test_the_rig_is_told_by_its_rise_and_by_how_low_it_came() -> None:
    assert rig_words(stretch(6, 0.0, 0.001), 5.0, 6.67).startswith("The rig stands")
    bad = rig_words(stretch(7, Q, 0.001), 20.0, 6.67)
    assert "rises by itself" in bad
    assert "healthy" in bad
