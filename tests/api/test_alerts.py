"""Alerts by API and by plain form."""

from __future__ import annotations

import httpx
import pytest

from store.database import Connection
from tests.api.scene import Made
from tests.api.serving import NOON_US, Serving


def test_acknowledging_keeps_who_when_and_why(
    api: Serving, client: httpx.Client, jobs: dict[str, Made]
) -> None:
    number = jobs["leak"].alert_id
    api.clock.advance(60)
    taken = client.post(f"/api/v1/alerts/{number}/acknowledge", json={"note": "Crew North goes at 7"})
    assert taken.status_code == 200
    body = taken.json()
    assert body["state"] == "active-acknowledged"
    assert body["acknowledged_by"] == "Mara Vogt"
    assert body["note"] == "Crew North goes at 7"
    assert body["acknowledged_at"].startswith("2026-05-28T20:27:40")
    assert [entry["what"] for entry in body["history"]] == ["raised", "acknowledged"]
    assert [entry["person"] for entry in body["history"]] == [None, "Mara Vogt"]


def test_of_two_who_acknowledge_the_first_has_it(
    api: Serving, client: httpx.Client, jobs: dict[str, Made]
) -> None:
    number = jobs["leak"].alert_id
    client.post(f"/api/v1/alerts/{number}/acknowledge", json={})
    with api.client("tarik") as other:
        second = other.post(f"/api/v1/alerts/{number}/acknowledge", json={"note": "me too"}).json()
    assert second["acknowledged_by"] == "Mara Vogt"
    assert second["history"][-1]["note"] == "me too"


def test_a_note_needs_words_and_has_an_end(client: httpx.Client, jobs: dict[str, Made]) -> None:
    path = f"/api/v1/alerts/{jobs['leak'].alert_id}/notes"
    assert client.post(path, json={"note": "  "}).status_code == 422
    assert client.post(path, json={"note": "x" * 2001}).status_code == 422
    made = client.post(path, json={"note": "Key is at the gate."})
    assert made.status_code == 201
    assert made.json()["state"] == "active-unacknowledged"


def test_the_list_leaves_out_what_is_over_unless_asked(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    conn.execute("UPDATE alert SET state = 'normal' WHERE id = %s", (jobs["wet"].alert_id,))
    assert [a["id"] for a in client.get("/api/v1/alerts").json()["items"]] == [jobs["leak"].alert_id]
    assert len(client.get("/api/v1/alerts?over=true").json()["items"]) == 2
    assert [a["id"] for a in client.get("/api/v1/alerts?state=normal").json()["items"]] == [
        jobs["wet"].alert_id
    ]
    of_job = client.get("/api/v1/alerts", params={"job": jobs["tight"].job.id}).json()
    assert of_job == {"items": [], "next": None}


@pytest.mark.parametrize("act", ["acknowledge", "note"])
def test_the_plain_form_does_it_without_a_script(
    api: Serving, client: httpx.Client, jobs: dict[str, Made], act: str
) -> None:
    number = jobs["leak"].alert_id
    form = client.post(
        f"/alerts/{number}/{act}", data={"note": "<b>on my way</b>"}, headers={"Origin": api.address}
    )
    assert (form.status_code, form.headers["location"]) == (303, f"/alerts#alert-{number}")
    page = client.get("/alerts").text
    assert "&lt;b&gt;on my way&lt;/b&gt;" in page
    assert "<b>on my way" not in page
    assert ("Taken by Mara Vogt" in page) == (act == "acknowledge")


def test_an_alert_shows_its_site_and_its_time_there(client: httpx.Client, jobs: dict[str, Made]) -> None:
    # 20:26:40 UTC on 28 May 2026 less an hour and a half, in Lisbon's summer time (UTC+1).
    assert NOON_US == 1_780_000_000_000_000
    page = client.get("/alerts").text
    assert "Harbour cold store" in page
    assert "happened Thu 28 May, 19:52" in page
