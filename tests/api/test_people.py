"""Inviting people, links to set a password, roles, keeping out; sessions and what ends them."""

from __future__ import annotations

import re
import threading
from datetime import timedelta
from typing import Any

import httpx
import pytest

from api.config import ApiConfig
from api.gate import COOKIE
from model.clock import HandClock, to_datetime
from model.errors import Conflict
from store import access, links, people, tokens
from store.database import Connection
from tests.api.serving import LOGIN, NOON_US, PASSWORD, TECHNICIAN, Serving, add_people, serving
from tests.api.test_stream import reading
from tests.waiting import wait_until

DAY = 86_400
NEW = "quite another password"
NOW = to_datetime(NOON_US)
NINA = {"login": "nina.holt", "name": "Nina Holt", "role": "dispatcher"}


@pytest.fixture
def admin(api: Serving, conn: Connection) -> Any:
    """A client of the administrator, whose password is known."""
    conn.execute("UPDATE person SET role = 'administrator' WHERE login = %s", (LOGIN,))
    with api.client() as client:
        client.headers["Origin"] = api.address
        yield client


def invite(admin: httpx.Client, **changes: str) -> tuple[int, str]:
    """Number and link of an invited person."""
    answer = admin.post("/api/v1/users", json={**NINA, **changes})
    assert answer.status_code == 201, answer.text
    return answer.json()["user"]["id"], answer.json()["link"]["url"]


def number_of(conn: Connection, login: str) -> int:
    return people.by_login(conn, login).id


def log_in(client: httpx.Client, login: str, password: str) -> int:
    ours = {"Origin": str(client.base_url).rstrip("/")}
    return client.post("/login", data={"login": login, "password": password}, headers=ours).status_code


def set_password(client: httpx.Client, link: str, new: str = NEW, again: str | None = None) -> httpx.Response:
    return client.post(link, data={"new": new, "again": new if again is None else again})


def acts(conn: Connection) -> list[tuple[str, str | None, str]]:
    rows = conn.execute(
        "SELECT a.act, p.login AS by, a.subject FROM audit a LEFT JOIN person p ON p.id = a.person_id "
        "ORDER BY a.id"
    )
    return [(row["act"], row["by"], row["subject"]) for row in rows]


def problem_at(page: str, field: str) -> str:
    """The sentence that stands at a field of a page."""
    found = re.search(rf'id="problem-{field}">([^<]*)<', page)
    return found[1].replace("&#39;", "'") if found else ""


# Inviting


def test_who_is_invited_sets_a_password_and_is_logged_in(
    api: Serving, admin: httpx.Client, conn: Connection
) -> None:
    number, link = invite(admin)
    assert link.startswith(f"{api.address}/invitation/")
    with api.client(None) as nina:
        assert log_in(nina, "nina.holt", "") == 401
        page = nina.get(link)
        assert page.status_code == 200
        assert "Nina Holt" in page.text
        answer = set_password(nina, link)
        assert (answer.status_code, answer.headers["location"]) == (303, "/")
        me = nina.get("/api/v1/me").json()
        assert (me["id"], me["login"], me["role"]) == (number, "nina.holt", "dispatcher")
    with api.client(None) as later:
        assert log_in(later, "nina.holt", NEW) == 303
    assert ("invite-person", LOGIN, f"person:{number}") in acts(conn)
    assert ("set-password", "nina.holt", f"person:{number}") in acts(conn)


def test_only_the_digest_of_a_link_is_kept(admin: httpx.Client, conn: Connection) -> None:
    _, link = invite(admin)
    token = link.rsplit("/", 1)[1]
    assert len(token) >= 43  # 32 random bytes in base64url
    rows = conn.execute("SELECT l.*, (SELECT json_agg(a) FROM audit a)::text AS audit FROM password_link l")
    assert token not in str(rows.fetchall())


def test_a_link_works_once(api: Serving, admin: httpx.Client) -> None:
    _, link = invite(admin)
    with api.client(None) as nina:
        assert set_password(nina, link).status_code == 303
        nina.cookies.clear()
        for answer in (nina.get(link), set_password(nina, link, "a third password")):
            assert answer.status_code == 410
            assert "This link was used already." in answer.text
        assert log_in(nina, "nina.holt", NEW) == 303


def test_a_link_runs_out_after_seven_days(api: Serving, admin: httpx.Client) -> None:
    _, link = invite(admin)
    with api.client(None) as nina:
        api.clock.advance(7 * DAY - 1)
        assert nina.get(link).status_code == 200
        api.clock.advance(1)
        assert nina.get(link).status_code == 410
        answer = set_password(nina, link)
        assert "This link has run out." in answer.text
        assert log_in(nina, "nina.holt", NEW) == 401


@pytest.mark.parametrize("how", ["withdrawn", "replaced", "disabled"])
def test_a_withdrawn_link_opens_nothing(api: Serving, admin: httpx.Client, how: str) -> None:
    number, link = invite(admin)
    if how == "withdrawn":
        assert admin.delete(f"/api/v1/users/{number}/link").status_code == 204
    elif how == "replaced":
        assert admin.post(f"/api/v1/users/{number}/link").json()["url"] != link
    else:
        admin.patch(f"/api/v1/users/{number}", json={"disabled": True})
    with api.client(None) as nina:
        answer = set_password(nina, link)
        assert answer.status_code == 410
        assert "This link was withdrawn." in answer.text
        assert COOKIE not in nina.cookies


@pytest.mark.parametrize("token", ["x", "%00", "a" * 5000, "%ED%A0%80"])
def test_a_made_up_link_is_told_so(api: Serving, token: str) -> None:
    with api.client(None) as nobody:
        answer = nobody.get(f"/invitation/{token}")
        assert answer.status_code == 404
        assert "This link is not whole" in answer.text


@pytest.mark.parametrize(
    ("new", "again", "field", "sentence"),
    [
        ("too short", None, "new", "at least 10 characters"),
        ("", None, "new", "at least 10 characters"),
        ("x" * 1001, None, "new", "at most 1000 characters"),
        ("Nina.Holt-Field", None, "new", "company's name is no password"),
        ("ACME cold works ", None, "new", "company's name is no password"),
        (NEW, "something else", "again", "not the same"),
    ],
)
def test_a_password_that_cannot_be_one_leaves_the_link_working(
    database: str, new: str, again: str | None, field: str, sentence: str
) -> None:
    add_people(database)
    with (
        serving(ApiConfig(database, port=0, heading="Acme Cold Works"), HandClock(NOON_US)) as running,
        running.database() as conn,
        running.client(None) as nina,
    ):
        _, made = links.invite(conn, "nina.holt-field", "Nina Holt", "technician", NOW, None)
        answer = set_password(nina, f"/invitation/{made.token}", new, again)
        assert answer.status_code == 422
        assert sentence in problem_at(answer.text, field)
        assert not new or new not in answer.text
        assert set_password(nina, f"/invitation/{made.token}").status_code == 303


def test_of_two_who_use_a_link_at_once_one_has_it(conn: Connection, api: Serving) -> None:
    _, made = links.invite(conn, "nina.holt", "", "technician", NOW, None)
    answers: list[httpx.Response] = []

    def second() -> None:
        with api.client(None) as other:
            answers.append(set_password(other, f"/invitation/{made.token}", "the other's words"))

    thread = threading.Thread(target=second)
    with api.database() as first, first.transaction():
        links.use(first, made.token, NEW, NOW)
        thread.start()
        wait_until(lambda: somebody_waits(conn), what="the second to wait for the first")
    thread.join(20)
    assert [answer.status_code for answer in answers] == [410]
    assert people.check_password(conn, "nina.holt", NEW)


def somebody_waits(conn: Connection) -> bool:
    row = conn.execute("SELECT EXISTS (SELECT FROM pg_locks WHERE NOT granted) AS waits").fetchone()
    return bool(row and row["waits"])


@pytest.mark.parametrize(
    ("wrong", "field", "sentence"),
    [
        ({"login": ""}, "login", "not empty"),
        ({"login": "nina holt"}, "login", "no spaces"),
        ({"login": "hf_nina"}, "login", "as tokens do"),
        ({"login": "n" * 61}, "login", "At most 60 characters"),
        ({"login": "ni\0na"}, "login", "cannot be shown"),
        ({"login": LOGIN.upper()}, "login", "already"),
        ({"name": "N" * 121}, "name", "At most 120 characters"),
        ({"name": "Ni\0na"}, "name", "cannot be shown"),
        ({"role": "boss"}, "role", "is no role"),
        ({"role": ""}, "role", "is no role"),
    ],
)
def test_a_bad_invitation_is_told_at_its_field_and_keeps_what_was_typed(
    admin: httpx.Client, conn: Connection, wrong: dict[str, str], field: str, sentence: str
) -> None:
    typed = {**NINA, **wrong}
    answer = admin.post("/setup/people", data=typed)
    assert answer.status_code == 422
    assert sentence in problem_at(answer.text, field)
    for name in ("login", "name"):
        assert f'value="{typed[name]}"'.replace("\0", "") in answer.text.replace("\0", "")
    if typed["role"] == "dispatcher":
        assert re.search(r'value="dispatcher" checked', answer.text)
    in_json = admin.post("/api/v1/users", json=typed)
    assert in_json.status_code in (409, 422)
    assert [error["field"] for error in in_json.json()["errors"]] == [field]
    assert conn.execute("SELECT count(*) AS n FROM person").fetchone()["n"] == 2  # type: ignore[index]


def test_the_page_shows_the_link_once(api: Serving, admin: httpx.Client) -> None:
    page = admin.post("/setup/people", data=NINA)
    assert page.status_code == 201
    link = re.search(rf'value="({api.address}/invitation/[^"]+)"', page.text)
    assert link
    assert page.headers["cache-control"] == "no-store"
    listed = admin.get("/setup/people").text
    assert "Nina Holt" in listed
    assert "invitation open until" in listed
    assert link[1] not in listed


# Roles and keeping out


def test_a_new_role_counts_at_once(api: Serving, admin: httpx.Client, conn: Connection) -> None:
    number = number_of(conn, TECHNICIAN)
    with api.client(TECHNICIAN) as tarik:
        assert tarik.post("/api/v1/crews", json={"name": "East"}).status_code == 403
        changed = admin.patch(f"/api/v1/users/{number}", json={"role": "dispatcher"})
        assert changed.json()["role"] == "dispatcher"
        assert tarik.post("/api/v1/crews", json={"name": "East"}).status_code == 201
    assert ("change-role", LOGIN, f"person:{number}") in acts(conn)


@pytest.mark.parametrize("change", [{"role": "manager"}, {"disabled": True}])
def test_the_last_administrator_stays(
    admin: httpx.Client, conn: Connection, change: dict[str, object]
) -> None:
    number = number_of(conn, LOGIN)
    sentence = "Mara Vogt is the only administrator who can log in"
    answer = admin.patch(f"/api/v1/users/{number}", json=change)
    assert answer.status_code == 409
    assert sentence in answer.json()["detail"]
    if "role" in change:
        page = admin.post(f"/setup/people/{number}", data={"name": "Mara Vogt-Lind", "role": "manager"})
        assert problem_at(page.text, "role").startswith(sentence)
        assert 'value="Mara Vogt-Lind"' in page.text
        assert "This is you. With another role this page closes to you" in page.text
    else:
        page = admin.post(f"/setup/people/{number}/disable")
        assert problem_at(page.text, "access").startswith(sentence)
    assert page.status_code == 422
    # Somebody who was invited as administrator and has no password yet cannot stand in.
    other, link = invite(admin, role="administrator")
    assert admin.patch(f"/api/v1/users/{number}", json=change).status_code == 409
    links.use(conn, link.rsplit("/", 1)[1], NEW, NOW)
    assert admin.patch(f"/api/v1/users/{number}", json=change).status_code == 200
    assert people.details(conn, other).role == "administrator"


def test_two_administrators_cannot_take_each_others_role_at_once(api: Serving, conn: Connection) -> None:
    conn.execute("UPDATE person SET role = 'administrator'")
    mara, tarik = number_of(conn, LOGIN), number_of(conn, TECHNICIAN)
    refused: list[Conflict] = []

    def second() -> None:
        with api.database() as other, other.transaction():
            try:
                access.change_role(other, mara, "manager", NOW, tarik)
            except Conflict as error:
                refused.append(error)

    thread = threading.Thread(target=second)
    with api.database() as first, first.transaction():
        access.change_role(first, tarik, "manager", NOW, mara)
        thread.start()
        wait_until(lambda: somebody_waits(conn), what="the second to wait for the first")
    thread.join(20)
    assert len(refused) == 1


def test_who_is_kept_out_may_be_let_in_again(api: Serving, admin: httpx.Client, conn: Connection) -> None:
    number = number_of(conn, TECHNICIAN)
    with api.client(TECHNICIAN) as tarik:
        assert admin.post(f"/setup/people/{number}/disable").status_code == 303
        assert tarik.get("/api/v1/jobs").status_code == 401
        assert log_in(tarik, TECHNICIAN, PASSWORD) == 401
        refused = admin.post(f"/setup/people/{number}/link")
        assert "enable them first" in problem_at(refused.text, "access")
        assert admin.post(f"/setup/people/{number}/enable").status_code == 303
        assert tarik.get("/api/v1/jobs").status_code == 401
        assert log_in(tarik, TECHNICIAN, PASSWORD) == 303
    found = [act for act in acts(conn) if act[2] == f"person:{number}" and act[1] == LOGIN]
    assert [act[0] for act in found] == ["disable-person", "end-sessions", "enable-person"]


# Passwords


def test_changing_the_password_logs_everybody_else_out(api: Serving, conn: Connection) -> None:
    with api.client() as here, api.client() as there:
        answer = here.post("/api/v1/me/password", json={"old": PASSWORD, "new": NEW})
        assert answer.json() == {"ended": 1}
        assert here.get("/api/v1/me").status_code == 200
        assert there.get("/api/v1/me").status_code == 401
        assert log_in(there, LOGIN, PASSWORD) == 401
        assert log_in(there, LOGIN, NEW) == 303


@pytest.mark.parametrize(
    ("typed", "field", "sentence"),
    [
        ({"old": "not it at all"}, "old", "not your password"),
        ({"old": ""}, "old", "not your password"),
        ({"new": "short", "again": "short"}, "new", "at least 10"),
        ({"again": "another one"}, "again", "not the same"),
        ({"new": PASSWORD, "again": PASSWORD}, "new", "choose another"),
    ],
)
def test_a_password_that_cannot_be_changed_is_told_at_its_field(
    api: Serving, client: httpx.Client, typed: dict[str, str], field: str, sentence: str
) -> None:
    form = {"old": PASSWORD, "new": NEW, "again": NEW, **typed}
    page = client.post("/me/password", data=form, headers={"Origin": api.address})
    assert page.status_code == 422
    assert sentence in problem_at(page.text, field)
    assert PASSWORD not in page.text
    if field != "again":
        answer = client.post("/api/v1/me/password", json={"old": form["old"], "new": form["new"]})
        assert answer.status_code == 422
        assert [error["field"] for error in answer.json()["errors"]] == [field]


def test_half_a_character_is_no_password(client: httpx.Client) -> None:
    raw = b'{"old": "a-long-password", "new": "\\ud800 and nine more"}'
    answer = client.post("/api/v1/me/password", content=raw, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422


def test_guessing_the_old_password_is_slowed_down(api: Serving, client: httpx.Client) -> None:
    for _ in range(5):
        assert client.post("/api/v1/me/password", json={"old": "guess", "new": NEW}).status_code == 422
    slowed = client.post("/api/v1/me/password", json={"old": PASSWORD, "new": NEW})
    assert (slowed.status_code, slowed.headers["retry-after"]) == (429, "15")
    api.clock.advance(15)
    assert client.post("/api/v1/me/password", json={"old": PASSWORD, "new": NEW}).status_code == 200


def test_a_link_after_a_forgotten_password_ends_what_was_open(
    api: Serving, admin: httpx.Client, conn: Connection
) -> None:
    number = number_of(conn, TECHNICIAN)
    link = admin.post(f"/api/v1/users/{number}/link").json()
    assert link["kind"] == "reset"
    with api.client(TECHNICIAN) as thief, api.client(None) as tarik:
        assert thief.get("/api/v1/me").status_code == 200
        assert set_password(tarik, link["url"]).status_code == 303
        assert thief.get("/api/v1/me").status_code == 401
        assert log_in(thief, TECHNICIAN, PASSWORD) == 401


# Sessions


def test_everybody_sees_where_they_are_logged_in_and_ends_it(api: Serving, conn: Connection) -> None:
    firefox = "Mozilla/5.0 (Windows NT 10.0; Win64; x64; rv:140.0) Gecko/20100101 Firefox/140.0"
    with api.client() as here, api.client(None) as there, api.client(TECHNICIAN) as stranger:
        there.headers["User-Agent"] = firefox
        assert log_in(there, LOGIN, PASSWORD) == 303
        api.clock.advance(120)
        there.get("/api/v1/me")
        listed = {item["current"]: item for item in here.get("/api/v1/me/sessions").json()}
        assert listed[False]["browser"] == "Firefox on Windows"
        assert listed[False]["created_at"] == "2026-05-28T20:26:40Z"
        assert listed[False]["last_seen_at"] == "2026-05-28T20:28:40Z"
        other = listed[False]["id"]
        assert "Firefox on Windows" in here.get("/me").text
        assert stranger.delete(f"/api/v1/me/sessions/{other}").status_code == 404
        assert there.get("/api/v1/me").status_code == 200
        assert here.delete(f"/api/v1/me/sessions/{other}").status_code == 204
        assert there.get("/api/v1/me").status_code == 401
        gone = here.post(f"/me/sessions/{other}/end", headers={"Origin": api.address})
        assert "may have ended already" in problem_at(gone.text, "sessions")
    assert ("end-session", LOGIN, f"person:{number_of(conn, LOGIN)}") in acts(conn)


def test_all_other_sessions_end_at_once(api: Serving) -> None:
    with api.client() as here, api.client() as there, api.client() as elsewhere:
        answer = here.post("/me/sessions/end-others", headers={"Origin": api.address})
        assert answer.status_code == 303
        assert [c.get("/api/v1/me").status_code for c in (here, there, elsewhere)] == [200, 401, 401]


def test_an_administrator_ends_somebodys_sessions(
    api: Serving, admin: httpx.Client, conn: Connection
) -> None:
    number = number_of(conn, TECHNICIAN)
    with api.client(TECHNICIAN) as one, api.client(TECHNICIAN) as two:
        first = admin.get(f"/api/v1/users/{number}/sessions").json()[-1]["id"]
        assert admin.post(f"/setup/people/{number}/sessions/{first}/end").status_code == 303
        assert sorted(c.get("/api/v1/me").status_code for c in (one, two)) == [200, 401]
        assert admin.delete(f"/api/v1/users/{number}/sessions").json() == {"ended": 1}
        assert two.get("/api/v1/me").status_code == 401


@pytest.mark.parametrize("how", ["session", "disable", "password"])
def test_an_ended_login_ends_its_open_stream_and_no_other(
    api: Serving, admin: httpx.Client, conn: Connection, how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The stream must not wait for its regular question.
    monkeypatch.setattr("api.routes.stream.RECHECK_S", 3600.0)
    number = number_of(conn, TECHNICIAN)
    with (
        api.client(TECHNICIAN) as tarik,
        api.client(TECHNICIAN) as elsewhere,
        reading(tarik) as doomed,
        reading(admin) as safe,
    ):
        wait_until(lambda: doomed.of("tick") and safe.of("tick"), what="both streams")
        if how == "session":
            admin.delete(f"/api/v1/users/{number}/sessions")
        elif how == "disable":
            admin.patch(f"/api/v1/users/{number}", json={"disabled": True})
        else:
            elsewhere.post("/api/v1/me/password", json={"old": PASSWORD, "new": NEW})
        assert doomed.ended.wait(20), "the stream goes on"
        ticks = len(safe.of("tick"))
        wait_until(lambda: len(safe.of("tick")) > ticks, what="the other stream to go on")
        assert not safe.ended.is_set()


def test_lists_hold_no_machines_and_page(admin: httpx.Client) -> None:
    expires = (NOW + timedelta(days=1)).isoformat()
    made = admin.post("/api/v1/tokens", json={"name": "scraper", "scopes": ["look"], "expires_at": expires})
    assert made.status_code == 201
    first = admin.get("/api/v1/users?limit=1").json()
    second = admin.get(f"/api/v1/users?limit=5&cursor={first['next']}").json()
    assert [user["login"] for user in first["items"] + second["items"]] == [LOGIN, TECHNICIAN]
    assert "scraper" not in admin.get("/setup/people").text


def test_who_keeps_somebody_out_learns_how_many_of_their_tokens_go_on_working(
    admin: httpx.Client, conn: Connection
) -> None:
    tarik = number_of(conn, TECHNICIAN)
    tokens.make(conn, "reports", ["look"], NOW + timedelta(days=1), NOW, tarik)
    address = f"/api/v1/users/{tarik}"
    assert admin.patch(address, json={"disabled": True}).json()["working_tokens"] == 1
    assert admin.patch(address, json={"revoke_tokens": True}).json()["working_tokens"] == 0
