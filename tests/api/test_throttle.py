"""The brake on guessing passwords."""

from __future__ import annotations

from contextlib import ExitStack

from api.throttle import FREE_TRIES, LONGEST_WAIT_S, MOST_KEYS, Throttle
from model.clock import US


def failed(throttle: Throttle, times: int, now_us: int = 0, key: str = "login:mara") -> None:
    """So many failures at once."""
    for _ in range(times):
        throttle.failed((key,), now_us)


def test_waits_double_up_to_a_quarter_of_an_hour() -> None:
    throttle = Throttle()
    failed(throttle, FREE_TRIES - 1)
    assert throttle.wait_s(("login:mara",), 0) == 0
    waits = []
    for _ in range(9):
        failed(throttle, 1)
        waits.append(throttle.wait_s(("login:mara",), 0))
    assert waits == [15, 30, 60, 120, 240, 480, LONGEST_WAIT_S, LONGEST_WAIT_S, LONGEST_WAIT_S]


def test_the_longest_wait_of_several_keys_counts() -> None:
    throttle = Throttle()
    failed(throttle, FREE_TRIES, key="address:1")
    assert throttle.wait_s(("login:mara", "address:1"), 0) == 15
    assert throttle.wait_s(("login:mara", "address:2"), 0) == 0


def test_an_hour_without_failures_is_forgiven() -> None:
    throttle = Throttle()
    failed(throttle, 20)
    failed(throttle, 1, now_us=3601 * US)
    assert throttle.wait_s(("login:mara",), 3601 * US) == 0


def test_many_names_do_not_fill_the_memory() -> None:
    throttle = Throttle()
    for number in range(MOST_KEYS + 50):
        throttle.failed((f"login:{number}",), 0)
    failed(throttle, FREE_TRIES - 1, key=f"login:{MOST_KEYS + 49}")
    assert throttle.wait_s((f"login:{MOST_KEYS + 49}",), 0) > 0
    failed(throttle, FREE_TRIES - 1, key="login:0")
    assert throttle.wait_s(("login:0",), 0) == 0


def test_tries_at_once_count_before_any_has_failed() -> None:
    throttle = Throttle()
    with ExitStack() as tries:
        waits = [tries.enter_context(throttle.trying(("login:mara", "address:1"), 0)) for _ in range(20)]
    assert [wait == 0 for wait in waits] == [True] * FREE_TRIES + [False] * (20 - FREE_TRIES)
    assert throttle.wait_s(("login:mara", "address:1"), 0) == 0, "a try that did not fail is taken back"


def test_after_a_wait_one_try_passes_not_all_that_waited() -> None:
    throttle = Throttle()
    failed(throttle, FREE_TRIES)
    with (
        throttle.trying(("login:mara",), 15 * US) as first,
        throttle.trying(("login:mara",), 15 * US) as second,
    ):
        assert (first, second > 0) == (0, True)
        throttle.failed(("login:mara",), 15 * US)
    assert throttle.wait_s(("login:mara",), 15 * US) == 30
