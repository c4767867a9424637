"""Refused messages: listed, looked at and read again, on pages and by the API."""

from __future__ import annotations

import html
from collections.abc import Iterator

import cbor2
import httpx
import pytest

from api.refused import shown
from model.clock import to_datetime
from model.equipment import Role
from store import equipment
from store.database import Connection
from store.quarantine import Refusal, Room, put
from tests.api.serving import NOON_US, TECHNICIAN, Serving

PACK = b'[{"n":"pressure","u":"Pa","v":%d}]'


@pytest.fixture
def pages(api: Serving) -> Iterator[httpx.Client]:
    """A browser without JavaScript."""
    with api.client() as client:
        client.headers["Origin"] = api.address
        client.follow_redirects = True
        yield client


def refuse(
    conn: Connection,
    raw: bytes,
    gateway: str | None = "gw-new",
    reason: str = "unknown-gateway",
    topic: str | None = None,
) -> int:
    """Put one into quarantine."""
    topic = topic or f"hf/1/{gateway}/g1/data"
    put(
        conn,
        [Refusal(NOON_US, topic, gateway, reason, f"No gateway {gateway} is registered.", raw)],
        Room(10**8),
    )
    row = conn.execute("SELECT max(id) AS id FROM quarantine").fetchone()
    assert row
    return int(row["id"])


def text_of(answer: httpx.Response, status: int = 200) -> str:
    assert answer.status_code == status, answer.text
    return html.unescape(answer.text)


def register(conn: Connection, gateway: str) -> None:
    """The gateway with its gauge, as the names of the messages have it."""
    site = equipment.add_site(conn, "Quay", "Europe/Oslo")
    made, _ = equipment.add_gateway(conn, gateway, site.id, to_datetime(NOON_US))
    equipment.add_instrument(conn, made.id, "g1", Role.GAUGE, interval_s=10)


def test_the_list_says_why_and_names_gateways_to_register(pages: httpx.Client, conn: Connection) -> None:
    assert "Nothing was refused." in text_of(pages.get("/setup/refused"))
    number = refuse(conn, PACK % 40)
    refuse(conn, b"nonsense", "gw-old", "not-senml")
    page = text_of(pages.get("/setup/refused"))
    for words in ("Gateway not registered", "Not SenML", "hf/1/gw-new/g1/data", "2 messages",
                  f'href="/setup/refused/{number}"', 'href="/setup/gateways?name=gw-new"'):  # fmt: skip
        assert words in page
    assert "gateways?name=gw-old" not in page
    assert '<span class="figure">2</span> Refused messages' in text_of(pages.get("/setup"))
    form = text_of(pages.get("/setup/gateways?name=gw-new"))
    assert 'name="name" value="gw-new"' in form
    assert '<details class="card adding" open>' in form


def test_filters_narrow_the_list_and_stay(pages: httpx.Client, conn: Connection) -> None:
    refuse(conn, PACK % 40)
    refuse(conn, b"nonsense", "gw-old", "not-senml", topic="hf/1/gw-old/100%_a/data")
    assert "Not SenML</a>" not in text_of(pages.get("/setup/refused?gateway=gw-new"))
    found = text_of(pages.get("/setup/refused?reason=not-senml&q=GW-OLD"))
    assert "1 message," in found
    assert 'value="GW-OLD"' in found
    assert '<option value="not-senml" selected>' in found
    # What means something to a pattern is only text here.
    assert "1 message," in text_of(pages.get("/setup/refused", params={"q": "100%_A"}))
    for nothing in ("%", "_"):
        assert "1 message," in text_of(pages.get("/setup/refused", params={"q": nothing}))
    for params in (
        {"q": "\\"},
        {"q": "' OR 1=1 --"},
        {"reason": "<b>"},
        {"state": "read"},
        {"gateway": "x" * 5000},
    ):
        assert "No refused message matches" in text_of(pages.get("/setup/refused", params=params)), params
    assert (
        "<b>"
        not in pages.get("/setup/refused", params={"q": "<b>"})
        .text.split('<form method="get"')[1]
        .split("</form>")[0]
    )
    text_of(pages.get("/setup/refused?state=teapot"))
    assert pages.get("/setup/refused?after=x").status_code == 422
    assert pages.get("/setup/refused?q=%00").status_code == 422


def test_the_list_is_paged(pages: httpx.Client, conn: Connection) -> None:
    for n in range(53):
        refuse(conn, PACK % n)
    first = text_of(pages.get("/setup/refused?gateway=gw-new"))
    assert "50 of 53" in first
    older = first.split('" rel="next"')[0].rsplit('href="', 1)[1]
    rest = text_of(pages.get(older))
    assert rest.count('<th scope="row"><a href="/setup/refused/') == 3
    assert 'href="/setup/refused?gateway=gw-new">Newest</a>' in rest


def test_one_is_shown_as_it_came_and_saved(pages: httpx.Client, conn: Connection) -> None:
    number = refuse(conn, PACK % 40)
    page = text_of(pages.get(f"/setup/refused/{number}"))
    for words in ("Decoded from JSON", '"n": "pressure"', "5b 7b 22 6e 22", "register this gateway"):
        assert words in page
    saved = pages.get(f"/setup/refused/{number}/raw")
    assert saved.content == PACK % 40
    assert saved.headers["content-type"] == "application/octet-stream"
    assert saved.headers["content-disposition"] == f'attachment; filename="refused-{number}.bin"'
    assert pages.get(f"/api/v1/quarantine/{number}/raw").content == PACK % 40
    for path in ("/setup/refused/999", "/setup/refused/999/raw", "/api/v1/quarantine/999/raw"):
        assert pages.get(path).status_code == 404
    assert pages.post("/setup/refused/999/replay").status_code == 404


@pytest.mark.parametrize(
    ("raw", "form"),
    [
        (b"", ""),
        (b"\x00\xff\xfe<script>alert(1)</script>", ""),
        (b"[" * 60_000, ""),
        (b'["\\ud800"]', "JSON"),
        (cbor2.dumps([{0: "p\x01", 2: 40.5}]), "CBOR"),
        (cbor2.dumps({(1, 2): b"\xff"}), "CBOR"),
        (b"\x81\x61\xff", "CBOR"),
        (b"\x01", ""),
    ],
)
def test_whatever_a_stranger_sent_can_be_looked_at(
    pages: httpx.Client, conn: Connection, raw: bytes, form: str
) -> None:
    assert shown(raw).form == form
    answer = pages.get(f"/setup/refused/{refuse(conn, raw, None, 'not-senml', 'hf/1/<i>')}")
    assert answer.status_code == 200
    assert "<script>alert" not in answer.text
    assert "<i>" not in answer.text


def test_after_registering_one_is_read_again_from_its_page(pages: httpx.Client, conn: Connection) -> None:
    number = refuse(conn, PACK % 40)
    assert "1 still refused" in text_of(pages.post(f"/setup/refused/{number}/replay"))
    register(conn, "gw-new")
    page = text_of(pages.post(f"/setup/refused/{number}/replay"))
    assert "1 reading stored; 1 message mended, 0 still refused" in page
    assert "Read this message again" not in page
    found = conn.execute("SELECT value FROM reading").fetchall()
    assert found == [{"value": 40.0}]
    # Repeated, it stores nothing twice.
    assert "0 readings stored" in text_of(pages.post(f"/setup/refused/{number}/replay"))
    row = conn.execute("SELECT count(*) AS n FROM audit WHERE act = 'replay-refused'").fetchone()
    assert row == {"n": 3}


def test_all_that_match_are_read_again_and_no_others(pages: httpx.Client, conn: Connection) -> None:
    for n in range(3):
        refuse(conn, PACK % n)
    other = refuse(conn, PACK % 9, "gw-other")
    register(conn, "gw-new")
    page = text_of(pages.get("/setup/refused?gateway=gw-new"))
    assert "Read 3 messages again" in page
    page = text_of(pages.post("/setup/refused/replay", data={"gateway": "gw-new"}))
    assert "3 readings stored; 3 messages mended" in page
    waiting = conn.execute("SELECT id FROM quarantine WHERE replayed_at IS NULL").fetchall()
    assert waiting == [{"id": other}]
    assert "1 message," in text_of(pages.get("/setup/refused?state=waiting"))
    assert "3 messages," in text_of(pages.get("/setup/refused?state=read"))
    text_of(pages.post("/setup/refused/replay", data={"beyond": "９"}))
    text_of(pages.post("/setup/refused/replay", data={"beyond": "-1", "state": "x"}))


def test_many_are_read_again_some_at_a_time(
    client: httpx.Client, conn: Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.refused.AT_ONCE", 2)
    numbers = [refuse(conn, PACK % n) for n in range(3)]
    first = client.post("/api/v1/quarantine/replay", json={}).json()
    assert first == {"readings": 0, "mended": 0, "still_refused": 2, "following": numbers[1]}
    rest = client.post("/api/v1/quarantine/replay", json={"after": first["following"]}).json()
    assert rest == {"readings": 0, "mended": 0, "still_refused": 1, "following": None}


def test_the_api_filters_counts_and_reads_again(client: httpx.Client, conn: Connection) -> None:
    number = refuse(conn, PACK % 40)
    refuse(conn, b"nonsense", "gw-old", "not-senml")
    page = client.get("/api/v1/quarantine", params={"q": "gw-o", "limit": 1}).json()
    assert ([item["reason"] for item in page["items"]], page["total"]) == (["not-senml"], 1)
    assert client.get("/api/v1/quarantine?reason=unknown-gateway&waiting=true").json()["total"] == 1
    assert client.get("/api/v1/quarantine?waiting=perhaps").status_code == 422
    answer = client.post("/api/v1/quarantine/replay", json={"ids": [number]})
    assert answer.json()["still_refused"] == 1
    for bad in ({"ids": ["x"]}, {"ids": [0]}, {"ids": [1] * 501}, {"teapot": 1}, {"after": -1}, {"q": "\0"}):
        assert client.post("/api/v1/quarantine/replay", json=bad).status_code == 422, bad


def test_a_technician_sees_and_reads_nothing_of_it(api: Serving, conn: Connection) -> None:
    number = refuse(conn, PACK % 40)
    with api.client(TECHNICIAN) as technician:
        technician.headers["Origin"] = api.address
        for path in ("/setup/refused", f"/setup/refused/{number}", f"/setup/refused/{number}/raw"):
            assert technician.get(path).status_code == 403, path
        assert technician.post("/setup/refused/replay").status_code == 403
