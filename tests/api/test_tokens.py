"""Tokens for machines: made once, hashed, scoped, ending, and acting under their own name."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta

import httpx
import pytest

from api.config import ApiConfig
from api.gate import COOKIE
from model.clock import HandClock, to_datetime
from store import tokens
from store.database import Connection
from tests.api.scene import Made
from tests.api.serving import LOGIN, NOON_US, TECHNICIAN, Serving, add_people, serving
from tests.api.test_people import acts, problem_at
from tests.api.test_stream import reading
from tests.waiting import wait_until

NOW = to_datetime(NOON_US)
DAY = 86_400
SOON = NOW + timedelta(days=30)
NEW = {"name": "Reports", "scopes": ["look"], "expires_at": SOON.isoformat()}


@pytest.fixture
def admin(api: Serving, conn: Connection) -> Iterator[httpx.Client]:
    """A client of the administrator."""
    conn.execute("UPDATE person SET role = 'administrator' WHERE login = %s", (LOGIN,))
    with api.client() as client:
        client.headers["Origin"] = api.address
        yield client


@pytest.fixture
def machine(api: Serving) -> Iterator[httpx.Client]:
    """A client that is nobody yet."""
    with api.client(None) as client:
        yield client


def give(conn: Connection, client: httpx.Client, *scopes: str, name: str = "Reports") -> tokens.Token:
    """Make a token and let the client send it."""
    token, secret = tokens.make(conn, name, scopes or ["look"], SOON, NOW, None)
    client.headers["Authorization"] = f"Bearer {secret}"
    return token


def challenge(answer: httpx.Response) -> str:
    assert answer.status_code == 401
    return answer.headers["www-authenticate"]


def test_a_token_is_shown_once_and_only_its_digest_is_kept(
    admin: httpx.Client, machine: httpx.Client, conn: Connection
) -> None:
    made = admin.post("/api/v1/tokens", json=NEW).json()
    secret = made["token"]
    assert secret.startswith(f"{made['short']}_")
    assert made["short"].startswith("hf_")
    assert len(secret.removeprefix(f"{made['short']}_")) == 43  # 32 random bytes in base64url
    assert machine.get("/api/v1/jobs", headers={"Authorization": f"bearer {secret}"}).status_code == 200
    listed = admin.get("/api/v1/tokens")
    assert [item["name"] for item in listed.json()["items"]] == ["Reports"]
    assert secret not in listed.text + admin.get("/setup/tokens").text
    for table in ("machine_token", "audit", "person"):
        assert secret not in str(conn.execute(f"SELECT * FROM {table}").fetchall())
    assert ("make-token", LOGIN, f"token:{made['id']}") in acts(conn)


def test_a_token_ends_when_it_says(api: Serving, machine: httpx.Client, conn: Connection) -> None:
    token = give(conn, machine)
    api.clock.advance(30 * DAY - 1)
    assert machine.get("/api/v1/jobs").status_code == 200
    api.clock.advance(1)
    said = challenge(machine.get("/api/v1/jobs"))
    assert said.startswith('Bearer realm="holdfast", error="invalid_token"')
    assert f"{token.short} has run out" in said


def test_a_revoked_token_opens_nothing(admin: httpx.Client, machine: httpx.Client, conn: Connection) -> None:
    token = give(conn, machine)
    assert machine.get("/api/v1/jobs").status_code == 200
    assert admin.delete(f"/api/v1/tokens/{token.id}").json()["state"] == "revoked"
    assert "was revoked" in challenge(machine.get("/api/v1/jobs"))
    # Its name is free again, and revoking twice is one act.
    assert admin.post("/api/v1/tokens", json=NEW).status_code == 201
    assert admin.post(f"/setup/tokens/{token.id}/revoke").status_code == 303
    assert [act[0] for act in acts(conn)].count("revoke-token") == 1


@pytest.mark.parametrize("token", ["hf_1_x", "ümlaut", "x" * 5000])
def test_an_unknown_token_opens_nothing(machine: httpx.Client, token: str) -> None:
    sent = {"Authorization": f"Bearer {token}".encode("latin-1")}
    answer = machine.get("/api/v1/jobs", headers=sent)  # type: ignore[arg-type]
    assert 'error="invalid_token"' in challenge(answer)
    assert answer.json()["detail"] == "This token is not known here."


def test_a_token_and_a_cookie_do_not_mix(api: Serving, admin: httpx.Client, conn: Connection) -> None:
    # The administrator's cookie lends a token nothing, and mends no token that does not work.
    _, secret = tokens.make(conn, "Reports", ["metrics"], SOON, NOW, None)
    assert admin.get("/api/v1/users").status_code == 200
    for sent, status in ((secret, 403), ("hf_no", 401)):
        answer = admin.get("/api/v1/users", headers={"Authorization": f"Bearer {sent}"})
        assert answer.status_code == status
        assert COOKIE in admin.cookies


def test_another_scheme_is_not_ours(admin: httpx.Client) -> None:
    # A proxy in front may ask for a password of its own.
    assert admin.get("/api/v1/users", headers={"Authorization": "Basic bWU6bWU="}).status_code == 200


@pytest.mark.parametrize(
    "headers", [{"Origin": "https://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}]
)
def test_a_program_need_not_come_from_our_pages(
    machine: httpx.Client, conn: Connection, headers: dict[str, str]
) -> None:
    give(conn, machine, "equipment")
    assert machine.post("/api/v1/crews", json={"name": "East"}, headers=headers).status_code == 201


def test_a_refused_token_is_told_which_right_it_lacks(machine: httpx.Client, conn: Connection) -> None:
    give(conn, machine, "look")
    detail = machine.post("/api/v1/crews", json={"name": "East"}).json()["detail"]
    assert detail.startswith("Reports (token) does not let its holder set up sites")
    assert "“equipment”" in detail


def test_a_token_acts_under_its_own_name(
    client: httpx.Client, machine: httpx.Client, conn: Connection, jobs: dict[str, Made]
) -> None:
    token = give(conn, machine, "acknowledge", "jobs", name="Night desk")
    number = jobs["leak"].alert_id
    taken = machine.post(f"/api/v1/alerts/{number}/acknowledge", json={"note": "seen"}).json()
    assert taken["history"][-1]["person"] == "Night desk (token)"
    assert "Night desk (token)" in client.get("/alerts").text
    job = jobs["leak"].job.id
    assert machine.patch(f"/api/v1/jobs/{job}", json={"title": "Rack 7"}).status_code == 200
    assert acts(conn)[-1][1:] == (token.short, f"job:{job}")


def test_no_password_opens_a_tokens_row(machine: httpx.Client, conn: Connection) -> None:
    token = give(conn, machine)
    del machine.headers["Authorization"]
    for password in ("", "None", token.short):
        assert machine.post("/login", data={"login": token.short, "password": password}).status_code == 401


def test_use_is_noted_to_the_minute(api: Serving, admin: httpx.Client, conn: Connection) -> None:
    with api.client(None) as machine:
        give(conn, machine)
        assert admin.get("/api/v1/tokens").json()["items"][0]["last_used_at"] is None
        machine.get("/api/v1/jobs")
        api.clock.advance(59)
        machine.get("/api/v1/jobs")
        assert admin.get("/api/v1/tokens").json()["items"][0]["last_used_at"] == "2026-05-28T20:26:40Z"
        api.clock.advance(1)
        machine.get("/api/v1/jobs")
        assert admin.get("/api/v1/tokens").json()["items"][0]["last_used_at"] == "2026-05-28T20:27:40Z"


def test_a_revoked_token_ends_its_open_stream(
    admin: httpx.Client, machine: httpx.Client, conn: Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.routes.stream.RECHECK_S", 3600.0)
    token = give(conn, machine)
    with reading(machine) as stream:
        wait_until(lambda: stream.of("tick"), what="the stream")
        admin.delete(f"/api/v1/tokens/{token.id}")
        assert stream.ended.wait(20), "the stream goes on"


@pytest.mark.parametrize(
    ("wrong", "field", "sentence"),
    [
        ({"name": " "}, "name", "needed"),
        ({"name": "N" * 61}, "name", "At most 60 characters"),
        ({"name": "reports"}, "name", "already"),
        ({"scopes": []}, "scopes", "choose one at least"),
        ({"scopes": ["people"]}, "scopes", "'people' is no scope"),
        ({"scopes": ["look", "own"]}, "scopes", "'own' is no scope"),
        ({"expires_at": NOW.isoformat()}, "expires_at", "in the future"),
        ({"expires_at": (NOW + timedelta(days=367)).isoformat()}, "expires_at", "a year at most"),
        ({"expires_at": "2026-06-01T00:00:00"}, "expires_at", "timezone"),
        ({"expires_at": None}, "expires_at", "valid"),
    ],
)
def test_a_token_that_cannot_be_made_is_told_at_its_field(
    admin: httpx.Client, conn: Connection, wrong: dict[str, object], field: str, sentence: str
) -> None:
    tokens.make(conn, "Reports", ["look"], SOON, NOW, None)
    answer = admin.post("/api/v1/tokens", json={**NEW, "name": "Other", **wrong})
    assert answer.status_code in (409, 422)
    assert [error["field"] for error in answer.json()["errors"]] == [field]
    assert sentence in answer.json()["errors"][0]["message"]
    people = conn.execute("SELECT count(*) AS n FROM person WHERE role = 'machine'").fetchone()
    assert people is not None
    assert people["n"] == 1


@pytest.mark.parametrize(
    ("wrong", "field", "sentence"),
    [
        ({"name": ""}, "name", "needed"),
        ({"scopes": []}, "scopes", "choose one at least"),
        ({"scopes": ["people", "metrics"]}, "scopes", "is no scope"),
        ({"days": ""}, "days", "whole number of days"),
        ({"days": "0"}, "days", "from 1 to 365"),
        ({"days": "366"}, "days", "from 1 to 365"),
        ({"days": "1.5"}, "days", "whole number of days"),
        ({"days": "٣"}, "days", "whole number of days"),
    ],
)
def test_the_page_says_what_is_wrong_and_keeps_what_was_typed(
    admin: httpx.Client, wrong: dict[str, object], field: str, sentence: str
) -> None:
    typed = {"name": "Reports", "days": "30", "scopes": ["metrics"], **wrong}
    page = admin.post("/setup/tokens", data=typed)
    assert page.status_code == 422
    assert sentence in problem_at(page.text, field)
    assert f'value="{typed["name"]}"' in page.text
    assert f'value="{typed["days"]}"' in page.text
    assert bool(re.search(r'value="metrics" checked', page.text)) == ("metrics" in typed["scopes"])  # type: ignore[operator]


def test_the_page_shows_the_token_once(admin: httpx.Client, machine: httpx.Client) -> None:
    page = admin.post("/setup/tokens", data={"name": "Reports", "days": "365", "scopes": ["look", "jobs"]})
    assert page.status_code == 201
    secret = re.search(r'value="(hf_[^"]+)"', page.text)
    assert secret
    machine.headers["Authorization"] = f"Bearer {secret[1]}"
    assert machine.get("/api/v1/jobs").status_code == 200
    assert secret[1] not in admin.get("/setup/tokens").text


def test_the_metrics_token_of_the_settings_opens_the_metrics_only(database: str) -> None:
    add_people(database)
    config = ApiConfig(database, port=0, metrics_token="for-the-scraper")
    with serving(config, HandClock(NOON_US)) as running, running.client(None) as scraper:
        scraper.headers["Authorization"] = "Bearer for-the-scraper"
        assert scraper.get("/metrics").status_code == 200
        assert scraper.get("/api/v1/jobs").status_code == 401
        with running.database() as conn:
            give(conn, scraper, "metrics")
        assert scraper.get("/metrics").status_code == 200
        assert scraper.get("/api/v1/jobs").status_code == 403


# Those of somebody who is kept out


@pytest.mark.parametrize("revoke", [False, True])
@pytest.mark.parametrize("way", ["page", "api"])
def test_who_keeps_somebody_out_may_revoke_the_tokens_that_they_made(
    admin: httpx.Client, machine: httpx.Client, conn: Connection, way: str, revoke: bool
) -> None:
    row = conn.execute("SELECT id FROM person WHERE login = %s", (TECHNICIAN,)).fetchone()
    assert row is not None
    made = give(conn, machine)
    conn.execute("UPDATE machine_token SET made_by = %s WHERE id = %s", (row["id"], made.id))
    if way == "page":
        page = admin.get(f"/setup/people/{row['id']}").text
        assert "and revoke the token that" in page
        admin.post(f"/setup/people/{row['id']}/disable", data={"revoke_tokens": "true"} if revoke else {})
    else:
        admin.patch(f"/api/v1/users/{row['id']}", json={"disabled": True, "revoke_tokens": revoke})
    assert machine.get("/api/v1/jobs").status_code == (401 if revoke else 200)
