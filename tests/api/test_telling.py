"""Channels on pages and in the API: entered, tested, changed, removed; their secrets never come back."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import ExitStack
from threading import Event, Thread
from typing import Any

import httpx
import pytest

from api.config import ApiConfig
from api.letters import Writer
from desk.config import DeskConfig
from desk.worker import service as desk
from model.clock import HandClock
from store import channels
from store.database import Connection
from store.seal import Seal
from tests.api.serving import NOON_US, TECHNICIAN, Serving, add_people, serving
from tests.desk.mailbox import Mailbox
from tests.waiting import PATIENCE_S

SEAL = Seal("k" * 40)
SECRET = "ntfys://very-secret@ntfy.example.org/very-secret"


@pytest.fixture
def api(database: str) -> Iterator[Serving]:
    add_people(database)
    with serving(ApiConfig(database, port=0, seal=SEAL), HandClock(NOON_US)) as running:
        yield running


@pytest.fixture
def tarik(api: Serving) -> Iterator[httpx.Client]:
    """A technician."""
    with api.client(TECHNICIAN) as client:
        client.headers["Origin"] = api.address
        yield client


@pytest.fixture
def mara(api: Serving) -> Iterator[httpx.Client]:
    """A manager."""
    with api.client() as client:
        client.headers["Origin"] = api.address
        yield client


@pytest.fixture
def mailbox(api: Serving) -> Iterator[Mailbox]:
    """A mail server, and a desk that uses it."""
    with ExitStack() as stack:
        server = stack.enter_context(Mailbox())
        stop = Event()
        config = DeskConfig(api.dsn, write=Writer("", api.clock), mail=server.server(), seal=SEAL)
        thread = Thread(target=desk.run, args=(config, api.clock, stop))
        thread.start()
        try:
            yield server
        finally:
            stop.set()
            thread.join(PATIENCE_S)


def made(client: httpx.Client, path: str, **wish: object) -> dict[str, Any]:
    answer = client.post(f"/api/v1{path}", json=wish)
    assert answer.status_code == 201, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_a_person_adds_a_mailbox_chooses_what_comes_and_tests_it(
    tarik: httpx.Client, mailbox: Mailbox
) -> None:
    channel = made(tarik, "/me/channels", address=" tarik@example.org ")
    assert (channel["kind"], channel["address"], channel["tells"], channel["state"]) == (
        "mail", "tarik@example.org", ["plans"], "untried",
    )  # fmt: skip
    path = f"/api/v1/me/channels/{channel['id']}"
    assert tarik.patch(path, json={"tells": ["mornings", "plans"]}).json()["tells"] == ["plans", "mornings"]
    tested = tarik.post(f"{path}/test").json()
    assert (tested["test"], tested["state"]) == ("handed over; look whether it arrived", "works")
    assert mailbox.to("tarik@example.org")[0]["Subject"].startswith("Holdfast: a test message")
    mailbox.refused = {"tarik@example.org"}
    assert tarik.post(f"{path}/test").json()["test"].endswith("refuses this mailbox (answer 550)")
    assert tarik.delete(path).status_code == 204
    assert tarik.get("/api/v1/me/channels").json() == []


def test_a_channel_is_nobody_elses(tarik: httpx.Client, mara: httpx.Client) -> None:
    own = made(tarik, "/me/channels", address="tarik@example.org")
    companys = made(mara, "/channels", address="desk@example.org")
    assert companys["tells"] == ["alerts"]
    for client, path in ((mara, f"/me/channels/{own['id']}"), (tarik, f"/me/channels/{companys['id']}"),
                         (mara, f"/channels/{own['id']}")):  # fmt: skip
        assert client.delete(f"/api/v1{path}").status_code == 404
        assert client.post(f"/api/v1{path}/test").status_code == 404
        assert client.patch(f"/api/v1{path}", json={"tells": []}).status_code == 404
    assert tarik.get("/api/v1/channels").status_code == 403


def test_a_secret_comes_back_nowhere(
    tarik: httpx.Client, mara: httpx.Client, conn: Connection, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    own = made(tarik, "/me/channels", address=SECRET, name="My push")
    made(mara, "/channels", address="https://example.org/hook?token=very-secret")
    refused = tarik.post("/me/channels", data={"address": "workflows://x/very-secret?template=/etc/passwd"})
    assert refused.status_code == 422
    seen = [refused.text]
    for client in (tarik, mara):
        seen += [client.get(path).text for path in ("/me/channels", "/api/v1/me/channels")]
    seen += [mara.get(path).text for path in ("/setup/telling", "/api/v1/channels", "/setup")]
    seen += [tarik.patch(f"/api/v1/me/channels/{own['id']}", json={"tells": []}).text]
    seen += [tarik.post("/api/v1/me/channels", json={"address": "nonsense://very-secret"}).text]
    tables = ("channel", "audit", "notification")
    seen += [repr(conn.execute(f"SELECT * FROM {table}").fetchall()) for table in tables]
    assert all("very-secret" not in text for text in seen)
    assert "very-secret" not in caplog.text
    assert "ntfys://… (ntfy)" in seen[1]
    # And yet it is kept.
    row = conn.execute("SELECT sealed FROM channel WHERE id = %s", (own["id"],)).fetchone()
    assert row is not None
    assert SEAL.open(bytes(row["sealed"])) == SECRET


@pytest.mark.parametrize(
    ("wish", "field", "sentence"),
    [
        ({"address": "https://example.org/hook"}, "address", "A webhook is for programs"),
        ({"address": "nobody"}, "address", "This is no address"),
        ({"address": "a@example.org", "tells": ["alerts"]}, "tells", "cannot be chosen"),
        ({"address": "a@example.org", "name": "x" * 61}, "name", "At most 60"),
    ],
)
def test_what_cannot_be_used_gets_one_sentence_at_its_field(
    tarik: httpx.Client, wish: dict[str, object], field: str, sentence: str
) -> None:
    answer = tarik.post("/api/v1/me/channels", json=wish)
    assert answer.status_code == 422
    (error,) = answer.json()["errors"]
    assert error["field"] == field
    assert sentence in error["message"]
    assert tarik.get("/api/v1/me/channels").json() == []


def test_without_a_key_only_mailboxes_are_kept(database: str) -> None:
    add_people(database)
    with serving(ApiConfig(database, port=0), HandClock(NOON_US)) as bare, bare.client() as client:
        answer = client.post("/api/v1/me/channels", json={"address": SECRET})
        assert answer.status_code == 409
        assert "HOLDFAST_SEAL_KEY" in answer.text
        assert "very-secret" not in answer.text
        made(client, "/me/channels", address="mara@example.org")
        assert client.post("/api/v1/me/channels", json={"address": "mara@example.org"}).status_code == 409


def test_a_stopped_webhook_is_shown_where_it_is_seen_and_let_go_on(
    mara: httpx.Client, conn: Connection
) -> None:
    channel = made(mara, "/channels", address="https://example.org/hook?token=x", name="Ledger")
    channels.stop(conn, channel["id"], "answered 410 Gone")
    assert "Ledger</a> does not reach Dispatch: answered 410 Gone." in mara.get("/setup").text
    page = mara.get("/setup/telling").text
    assert "Nothing is sent since" in page
    assert mara.post(f"/setup/telling/{channel['id']}/go-on").status_code == 303
    (stands,) = mara.get("/api/v1/channels").json()
    assert (stands["state"], stands["problem"]) == ("untried", "")
    rows = conn.execute("SELECT act FROM audit WHERE act LIKE %s ORDER BY id", ("%channel%",)).fetchall()
    acts = [row["act"] for row in rows]
    assert acts == ["add-channel", "let-channel-go-on"]


def test_the_page_adds_changes_and_removes(tarik: httpx.Client, conn: Connection) -> None:
    typed = {"address": "tarik@example.org", "name": "Mail", "tells": ["plans", "mornings"]}
    tarik.cookies.set("holdfast_zone", "Europe/Lisbon")
    assert tarik.post("/me/channels", data=typed).status_code == 303
    (channel,) = tarik.get("/api/v1/me/channels").json()
    assert channel["tells"] == ["plans", "mornings"]
    row = conn.execute("SELECT time_zone FROM channel").fetchone()
    assert row is not None
    assert row["time_zone"] == "Europe/Lisbon", "so that times need no offset"
    path = f"/me/channels/{channel['id']}"
    assert tarik.post(f"{path}/change", data={"tells": ["mornings"]}).status_code == 303
    assert tarik.get("/api/v1/me/channels").json()[0]["tells"] == ["mornings"]
    assert tarik.post(f"{path}/nonsense").status_code == 404
    assert tarik.post(f"{path}/remove").status_code == 303
    assert "None yet." in tarik.get("/me/channels").text


def test_the_time_of_the_mornings_sets_their_timer(mara: httpx.Client, conn: Connection) -> None:
    answer = mara.put("/api/v1/morning-time", json={"at": "07:15", "time_zone": "Europe/Berlin"})
    assert answer.json() == {"at": "07:15", "time_zone": "Europe/Berlin", "chosen": True}
    row = conn.execute("SELECT due FROM timer WHERE kind = 'morning'").fetchone()
    assert row is not None
    assert f"{row['due']:%H:%M}" == "05:15", "in summer"
    for typed, field in (({"at": "7:15"}, "at"), ({"at": "07:15", "time_zone": "Berlin"}, "time_zone")):
        refused = mara.put("/api/v1/morning-time", json=typed)
        assert (refused.status_code, refused.json()["errors"][0]["field"]) == (422, field)
        page = mara.post("/setup/telling/morning", data=typed)
        assert (page.status_code, f"problem-{field}" in page.text) == (422, True)
    assert mara.get("/api/v1/morning-time").json()["at"] == "07:15"
