"""Who gets in, and whose requests are taken for ours."""

from __future__ import annotations

import re

import httpx
import pytest

from api.app import create_app
from api.config import ApiConfig
from api.gate import COOKIE, TO_VERIFY
from model.clock import HandClock
from store.database import Connection
from tests.api.serving import LOGIN, NOON_US, PASSWORD, Serving, serving

OPEN = {"/healthz", "/readyz", "/login", *TO_VERIFY}


PAGES = ["/", "/alerts", "/alerts/cards", "/jobs/1", "/jobs/1/judgement", "/logout"]


def every_route() -> list[tuple[str, str]]:
    """Method and a made-up address of every route, and of some that do not exist."""
    app = create_app(ApiConfig("host=/nowhere"), HandClock(0))
    found = [("GET", path) for path in (*PAGES, "/nothing-here", "/api/v1/nothing-here", "/api/v1/docs")]
    found += [("GET", "/api/v1/openapi.json")]
    for path, methods in app.openapi()["paths"].items():
        found += [(method.upper(), re.sub(r"{[^}]*}", "1", path)) for method in methods]
    return found


def test_everything_but_health_and_login_needs_a_login(api: Serving) -> None:
    routes = every_route()
    assert ("PATCH", "/api/v1/jobs/1") in routes
    assert ("GET", "/api/v1/events") in routes
    with api.client(None) as nobody:
        for method, path in routes:
            answer = nobody.request(method, path, json={} if method != "GET" else None)
            if path in OPEN:
                assert answer.status_code != 303, path
            elif path.startswith("/api/") or path == "/metrics":
                assert answer.status_code == 401, (method, path, answer.status_code)
                assert answer.headers["content-type"] == "application/problem+json"
            else:
                assert answer.status_code == 303, (method, path, answer.status_code)
                assert answer.headers["location"].startswith("/login")


def test_the_login_leads_back_to_the_page(api: Serving) -> None:
    with api.client(None) as nobody:
        there = nobody.get("/jobs/7?x=1").headers["location"]
        assert there == "/login?next=%2Fjobs%2F7%3Fx%3D1"
        answer = nobody.post("/login", data={"login": LOGIN, "password": PASSWORD, "next": "/jobs/7?x=1"})
        assert answer.headers["location"] == "/jobs/7?x=1"


@pytest.mark.parametrize(
    "elsewhere", ["//evil.example/", "https://evil.example/", "/\\evil.example", "/\t/x", "javascript:1"]
)
def test_the_login_never_leads_elsewhere(api: Serving, elsewhere: str) -> None:
    with api.client(None) as nobody:
        answer = nobody.post("/login", data={"login": LOGIN, "password": PASSWORD, "next": elsewhere})
        assert (answer.status_code, answer.headers["location"]) == (303, "/")


def test_the_cookie_is_out_of_reach_of_scripts_and_the_database_keeps_only_its_digest(
    api: Serving, conn: Connection
) -> None:
    with api.client(None) as nobody:
        answer = nobody.post("/login", data={"login": LOGIN.upper(), "password": PASSWORD})
        cookie = answer.headers["set-cookie"].lower()
        assert "httponly" in cookie
        assert "samesite=lax" in cookie
        assert "secure" not in cookie
        token = nobody.cookies[COOKIE]
    stored = conn.execute("SELECT token_digest FROM login_session").fetchall()
    assert [len(row["token_digest"]) for row in stored] == [32]
    assert token.encode() not in bytes(stored[0]["token_digest"])


def test_over_https_the_cookie_is_secure(api: Serving) -> None:
    forwarded = {"X-Forwarded-Proto": "https"}
    with api.client(None) as nobody:
        answer = nobody.post("/login", data={"login": LOGIN, "password": PASSWORD}, headers=forwarded)
    assert "secure" in answer.headers["set-cookie"].lower()


@pytest.mark.parametrize(
    ("login", "password"), [(LOGIN, "wrong-password"), ("nobody", PASSWORD), ("", ""), ("a\0b", "c\0d")]
)
def test_a_wrong_login_is_told_without_saying_what_was_wrong(api: Serving, login: str, password: str) -> None:
    with api.client(None) as nobody:
        answer = nobody.post("/login", data={"login": login, "password": password})
        assert answer.status_code == 401
        assert "Login or password is not right." in answer.text
        assert COOKIE not in nobody.cookies


def test_logging_out_ends_the_session_for_good(api: Serving, client: httpx.Client) -> None:
    token = client.cookies[COOKIE]
    assert client.get("/api/v1/sites").status_code == 200
    assert client.post("/logout", headers={"Origin": api.address}).status_code == 303
    with api.client(None) as thief:
        assert thief.get("/api/v1/sites", headers={"Cookie": f"{COOKIE}={token}"}).status_code == 401


def test_a_login_runs_out(api: Serving, client: httpx.Client) -> None:
    api.clock.advance(14 * 86_400 - 1)
    assert client.get("/api/v1/sites").status_code == 200
    api.clock.advance(2)
    assert client.get("/api/v1/sites").status_code == 401


def test_a_disabled_person_is_out_at_once(client: httpx.Client, conn: Connection) -> None:
    conn.execute("UPDATE person SET disabled_at = now() WHERE login = %s", (LOGIN,))
    assert client.get("/api/v1/sites").status_code == 401


def test_guessing_is_slowed_down_and_forgiven_later(api: Serving) -> None:
    with api.client(None) as nobody:
        for _ in range(5):
            assert nobody.post("/login", data={"login": LOGIN, "password": "guess"}).status_code == 401
        slowed = nobody.post("/login", data={"login": LOGIN, "password": PASSWORD})
        assert slowed.status_code == 429
        assert slowed.headers["retry-after"] == "15"
        api.clock.advance(15)
        assert nobody.post("/login", data={"login": LOGIN, "password": PASSWORD}).status_code == 303


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "https://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "same-origin"}, 201),
        ({}, 201),
    ],
)
def test_json_from_another_site_is_refused(
    client: httpx.Client, headers: dict[str, str], status: int
) -> None:
    answer = client.post("/api/v1/crews", json={"name": "Crew East"}, headers=headers)
    assert answer.status_code == status, answer.text
    assert len(client.get("/api/v1/crews").json()["items"]) == (1 if status == 201 else 0)


def test_a_form_that_names_no_origin_is_refused(client: httpx.Client) -> None:
    assert client.post("/logout").status_code == 403
    assert client.get("/api/v1/sites").status_code == 200


def test_logging_somebody_in_from_another_site_is_refused(api: Serving) -> None:
    with api.client(None) as nobody:
        answer = nobody.post(
            "/login", data={"login": LOGIN, "password": PASSWORD}, headers={"Origin": "https://evil.example"}
        )
        assert answer.status_code == 403
        assert COOKIE not in nobody.cookies


def test_metrics_take_a_token_instead_of_a_login(database: str) -> None:
    config = ApiConfig(database, port=0, metrics_token="for-the-scraper")
    with serving(config, HandClock(NOON_US)) as running, running.client(None) as scraper:
        assert scraper.get("/metrics").status_code == 401
        assert scraper.get("/metrics", headers={"Authorization": "Bearer no"}).status_code == 401
        answer = scraper.get("/metrics", headers={"Authorization": "Bearer for-the-scraper"})
    assert answer.status_code == 200
    assert answer.text.endswith("# EOF\n")
    assert "\nholdfast_streams_dropped_total 0" in answer.text
