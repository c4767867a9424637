"""How gateways' clocks go against ours, from what their packs say."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from msgspec.structs import replace

from ingest.inbox import Message
from ingest.lags import Lags
from model import skew
from model.clock import US
from store import clocks, equipment
from store.clocks import Lag
from store.database import Connection
from tests.ingest import helpers
from tests.ingest.helpers import NOW_S, NOW_US, message, payload, pressure

MINUTE = 60 * US


@pytest.fixture
def conn(database: str) -> Iterator[Connection]:
    helpers.register(database)
    with helpers.session(database) as open_session:
        yield open_session


def lag(seconds: float, at_us: int = NOW_US, packs: int = 5) -> Lag:
    return Lag(round(seconds * US), packs, at_us)


def ahead(conn: Connection, name: str = "gw1") -> float | None:
    return clocks.ahead(conn).get(equipment.gateway_named(conn, name).id)


def test_the_least_lag_of_live_packs_counts_and_what_was_kept_or_comes_again_does_not(
    conn: Connection,
) -> None:
    def sent(ago_s: float, topic: str = "hf/1/gw1/g1/data") -> Message:
        return message(payload(pressure(1), {"n": "sent", "v": NOW_S - ago_s}), topic)

    lags = Lags()
    lags.take(
        helpers.items(
            conn,
            [
                sent(-40),
                sent(-42.5),
                sent(-41, "hf/1/gw1/g2/data"),
                sent(-100, "hf/1/gw1/g1/late"),
                replace(sent(-100), again=True),
                sent(-100, "hf/1/gw1/g9/data"),  # an instrument that is not registered
                sent(-100, "hf/1/gw9/g1/data"),
                sent(3, "hf/1/gw2/g1/data"),
                message(payload(pressure(1)), "hf/1/gw2/g2/data"),
            ],
        )
    )
    lags.note(conn)
    assert ahead(conn) == 42.5
    assert ahead(conn, "gw2") is None  # one pack may just have come late
    assert helpers.rows(conn, "SELECT packs FROM gateway_clock ORDER BY gateway_id") == [(3,), (1,)]


def test_a_delay_of_some_packs_is_not_taken_for_the_clock(conn: Connection) -> None:
    for n, seconds in enumerate((300, 0.2, 7200, 45)):
        clocks.note(conn, {"gw1": lag(seconds, NOW_US + n * MINUTE)})
    assert ahead(conn) == -0.2


def test_a_clock_that_was_set_is_right_after_two_windows(conn: Connection) -> None:
    clocks.note(conn, {"gw1": lag(-60)})
    for minute in range(1, 21):
        clocks.note(conn, {"gw1": lag(0.1, NOW_US + minute * MINUTE)})
        assert ahead(conn) == (60 if minute < 20 else -0.1), minute


def test_a_window_long_ago_says_nothing_of_now(conn: Connection) -> None:
    clocks.note(conn, {"gw1": lag(-60)})
    clocks.note(conn, {"gw1": lag(20, NOW_US + 60 * MINUTE)})
    assert ahead(conn) == -20


def test_clocks_of_gateways_are_kept_apart_and_unregistered_names_passed_over(conn: Connection) -> None:
    clocks.note(conn, {"gw2": lag(30), "stranger": lag(-9), "gw1": lag(-4)})
    assert (ahead(conn), ahead(conn, "gw2"), len(clocks.ahead(conn))) == (4, -30, 2)


@pytest.mark.parametrize(
    ("ahead_s", "words"),
    [
        (None, ()),
        (9.9, ("agrees with ours to 10 s",)),
        (-10.0, ("agrees with ours to 10 s",)),
        (42.5, ("42 s or more ahead", "too late", "refused", "the gateway's own times")),
        (-7200.0, ("up to 120 min behind", "too early", "packs take that long", "the gateway's own times")),
        (-86_400.0 * 4, ("4 days behind",)),
    ],
)
def test_a_clock_beyond_the_tolerance_is_said_in_one_sentence(
    ahead_s: float | None, words: tuple[str, ...]
) -> None:
    said = skew.in_words(ahead_s)
    assert said.count(". ") == 0
    assert bool(said) == bool(words)
    for word in words:
        assert word in said
    assert skew.off(ahead_s) == ("ahead" in said or "behind" in said)
