"""``holdfast channel`` and ``holdfast morning``."""

from __future__ import annotations

import io
import json

import pytest

from store import channels
from store.database import connect
from tests.ops.test_cli import Run, clean_environment, fails, run

__all__ = ["clean_environment", "fails", "run"]

SECRET = "ntfys://very-secret@ntfy.example.org/topic"


def typed(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(text + "\n"))


def test_channels_are_added_listed_let_go_on_and_removed(
    run: Run, fails: Run, database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    run("user", "add", "tarik", "--role", "technician")
    monkeypatch.setenv("HOLDFAST_SEAL_KEY", "k" * 40)
    typed(monkeypatch, SECRET)
    own = json.loads(run("channel", "add", "--person", "tarik", "--tells", "mornings", "--json"))
    assert (own["kind"], own["tells"], own["address"]) == ("service", "mornings", "ntfys://… (ntfy)")
    typed(monkeypatch, "desk@example.org")
    assert json.loads(run("channel", "add", "--json"))["tells"] == "alerts"
    assert "very-secret" not in run("channel", "list", "--person", "tarik")
    with connect(database, application="test") as conn:
        channels.stop(conn, own["id"], "answered 410 Gone")
    assert "410" in run("channel", "list", "--person", "tarik")
    assert json.loads(run("channel", "go-on", str(own["id"]), "--json"))["problem"] == ""
    run("channel", "remove", str(own["id"]))
    assert run("channel", "list", "--person", "tarik").strip() == "none"
    assert "There is no channel 999" in fails("channel", "test", "999")


def test_a_secret_address_needs_a_key_and_is_not_repeated(
    fails: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    typed(monkeypatch, SECRET)
    said = fails("channel", "add")
    assert "HOLDFAST_SEAL_KEY" in said
    assert "very-secret" not in said


def test_the_time_of_the_mornings_and_an_empty_night(run: Run, fails: Run, database: str) -> None:
    assert json.loads(run("morning", "time", "--json")) == {
        "at": "06:30", "time_zone": "UTC", "chosen": False,
    }  # fmt: skip
    run("morning", "time", "--at", "07:00", "--time-zone", "Europe/Berlin")
    assert "Europe/Berlin" in run("morning", "time")
    with connect(database, application="test") as conn:
        row = conn.execute("SELECT count(*) AS n FROM timer WHERE kind = 'morning'").fetchone()
    assert row == {"n": 1}
    assert run("morning", "show").strip() == "No hold ran this night, and no plan had anything to say."
    assert "Berlin" in fails("morning", "time", "--at", "07:00", "--time-zone", "Berlin")
    assert "is no day" in fails("morning", "show", "--day", "tomorrow")
