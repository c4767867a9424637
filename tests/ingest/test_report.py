"""Presence and last will."""

from __future__ import annotations

import pytest

from ingest.report import Report, fold, read
from model.errors import Refused
from store.presence import Presence

HERE = Presence(True, "s2", "a1f3", "fw 1", 1_780_000_000_000_000, 100)


def test_presence_is_read() -> None:
    raw = b'{"online":true,"session":"s","at":1780000000.5,"boot":"a1","software":"fw","new":[1]}'
    assert read(raw) == Report(True, "s", 1780000000.5, "a1", "fw")
    assert read(b'{"online":false,"session":"s"}') == Report(False, "s")


@pytest.mark.parametrize(
    ("raw", "code"),
    [
        (b"", "presence"), (b"[]", "presence"), (b'{"online":1,"session":"s"}', "presence"),
        (b'{"online":true}', "presence"),
        (b'{"online":true,"session":""}', "presence"), (b'{"online":true,"session":"s","at":5}', "presence"),
        (b'{"online":true,"session":"\xff"}', "presence"), (b'{"online":true,"session":"\\u0000"}', "text"),
        (b'{"online":true,"session":"' + b"s" * 201 + b'"}', "text"),
        (b'{"online":true,"session":"s","x":"' + b"x" * 4096 + b'"}', "presence"),
        (b'{"x":' + b"[" * 2000 + b"]" * 2000 + b"}", "presence"),
    ],
)  # fmt: skip
def test_presence_that_cannot_be_used_is_refused(raw: bytes, code: str) -> None:
    with pytest.raises(Refused) as caught:
        read(raw)
    assert caught.value.code == code


def test_will_of_the_session_ends_it_and_keeps_what_is_known() -> None:
    assert fold(HERE, Report(False, "s2"), 200, again=False) == Presence(
        False, "s2", "a1f3", "fw 1", 1_780_000_000_000_000, 200
    )


def test_will_of_an_older_session_is_ignored() -> None:
    assert fold(HERE, Report(False, "s1"), 200, again=False) is None


def test_new_session_replaces_the_old_even_if_its_clock_is_behind() -> None:
    after = fold(HERE, Report(True, "s3", 1_700_000_000.0), 200, again=False)
    assert after is not None
    assert (after.session, after.reported_us) == ("s3", 1_700_000_000_000_000)


def test_repeated_message_of_an_older_session_does_not_bring_it_back() -> None:
    assert fold(HERE, Report(True, "s1", 1_779_999_999.0), 200, again=True) is None


def test_retained_copy_says_nothing_of_now() -> None:
    assert fold(HERE, Report(True, "s2", 1_780_000_000.0), 200, again=True) is None


def test_retained_copy_counts_where_nothing_is_known() -> None:
    assert fold(None, Report(True, "s2", 1_780_000_000.0, "b"), 200, again=True) == Presence(
        True, "s2", "b", None, 1_780_000_000_000_000, 200
    )
