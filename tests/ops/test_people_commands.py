"""``holdfast user`` and ``holdfast token``."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest

from model.clock import SystemClock, to_datetime
from store import links, people, tokens
from store.database import connect
from store.people import Person
from tests.ops.test_cli import Run, clean_environment, fails, holdfast, run

__all__ = ["clean_environment", "fails", "run"]


def test_who_is_invited_sets_a_password_by_the_printed_link(run: Run, database: str) -> None:
    made = json.loads(
        run("user", "invite", "Nina", "--role", "manager", "--address", "https://holdfast.example/", "--json")
    )
    assert made["state"] == "invited"
    assert made["link"].startswith("https://holdfast.example/invitation/")
    token = made["link"].rsplit("/", 1)[1]
    assert token not in run("user", "show", "nina") + run("user", "list")
    now = to_datetime(SystemClock().now_us())
    with connect(database, application="test") as conn:
        links.use(conn, token, "a password of Nina's", now)
    assert json.loads(run("user", "show", "nina", "--json"))["state"] == "active"
    again = json.loads(run("user", "reset", "nina", "--json"))
    # Without an embedded installation nobody knows how browsers reach the pages.
    assert again["link"].startswith("/invitation/")


def test_tokens_of_somebody_kept_out_are_named_or_revoked(
    run: Run, database: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    run("user", "add", "mara", "--role", "administrator")
    run("user", "add", "tarik", "--role", "administrator")
    now = to_datetime(SystemClock().now_us())
    with connect(database, application="test") as conn:
        tarik = people.by_login(conn, "tarik")
        for name in ("reports", "wall"):
            tokens.make(conn, name, ["look"], now + timedelta(days=1), now, tarik.id)
    assert holdfast(monkeypatch, "user", "disable", "tarik") == 0
    assert "The 2 machine tokens that tarik made go on working" in capsys.readouterr().err
    answer = run("user", "disable", "tarik", "--revoke-tokens", "--json")
    assert json.loads(answer)["working_tokens"] == 0
    with connect(database, application="test") as conn:
        assert {token.state(now) for token in tokens.everything(conn)} == {"revoked"}


def test_a_role_is_changed_and_somebody_is_kept_out(run: Run, fails: Run, database: str) -> None:
    run("user", "add", "mara", "--role", "administrator")
    run("user", "add", "tarik", "--role", "technician")
    assert json.loads(run("user", "role", "tarik", "dispatcher", "--json"))["role"] == "dispatcher"
    assert json.loads(run("user", "disable", "tarik", "--json"))["state"] == "disabled"
    assert json.loads(run("user", "enable", "tarik", "--json"))["state"] == "active"
    assert "is the only administrator" in fails("user", "disable", "mara")
    assert "is the only administrator" in fails("user", "role", "mara", "manager")
    with connect(database, application="test") as conn:
        rows = conn.execute("SELECT act, person_id FROM audit ORDER BY id").fetchall()
    assert [row["act"] for row in rows][2:] == ["change-role", "disable-person", "enable-person"]
    assert {row["person_id"] for row in rows} == {None}


def test_a_token_is_made_listed_and_revoked(run: Run, database: str) -> None:
    made = json.loads(
        run("token", "add", "Reports", "--scope", "look", "--scope", "jobs", "--days", "30", "--json")
    )
    now = to_datetime(SystemClock().now_us())
    with connect(database, application="test") as conn:
        assert isinstance(tokens.whose(conn, made["token"], now), Person)
    listed = json.loads(run("token", "list", "--json"))
    assert [(item["name"], item["scopes"], item["state"]) for item in listed] == [
        ("Reports", "look, jobs", "works")
    ]
    assert made["token"] not in run("token", "list") + run("user", "list")
    assert json.loads(run("token", "revoke", made["short"], "--json"))["state"] == "revoked"
    with connect(database, application="test") as conn:
        assert not isinstance(tokens.whose(conn, made["token"], now), Person)
        assert people.everybody(conn) == []


@pytest.mark.parametrize(
    ("command", "sentence"),
    [
        (["user", "invite", "ni na", "--role", "manager"], "no spaces"),
        (["user", "invite", "nina", "--role", "king"], "'king' is no role"),
        (["user", "reset", "nobody"], "no person with the login 'nobody'"),
        (["token", "add", "x", "--scope", "people", "--days", "3"], "'people' is no scope"),
        (["token", "add", "x", "--scope", "look", "--days", "366"], "from 1 to 365 days"),
        (["token", "add", " ", "--scope", "look", "--days", "3"], "needed"),
        (["token", "revoke", "x"], "no token 'x'"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(fails: Run, command: list[str], sentence: str) -> None:
    assert sentence in fails(*command)
