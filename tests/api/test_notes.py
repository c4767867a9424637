"""Notes of a job over HTTP, beside those of the pages."""

from __future__ import annotations

from datetime import datetime

import httpx
import pytest

from model.clock import to_datetime
from store import notes, people
from store.database import Connection
from tests.api.scene import HOUR, Made, Scene
from tests.api.serving import LOGIN, NOON_US, TECHNICIAN, Serving

NOW = to_datetime(NOON_US)


@pytest.fixture
def made(scene: Scene) -> Made:
    return scene.job("Quay", "Rack", NOON_US - HOUR)


def test_a_note_is_written_and_read_with_name_and_time(api: Serving, conn: Connection, made: Made) -> None:
    notes.add(conn, made.job.id, people.by_login(conn, LOGIN).id, NOW, "Ladder is at the gate.")
    address = f"/api/v1/jobs/{made.job.id}/notes"
    with api.client(TECHNICIAN) as client:
        answer = client.post(address, json={"text": " Flare nut at the drier\nlooked oily. "})
        assert answer.status_code == 201, answer.text
        new = answer.json()
        listed = client.get(address).json()
        assert client.get(address, params={"q": "LADDER"}).json()["items"] == listed["items"][1:]
    assert (new["text"], new["person"]) == ("Flare nut at the drier\nlooked oily.", "Tarik Brandt")
    assert datetime.fromisoformat(new["at"]) == NOW
    assert [one["person"] for one in listed["items"]] == ["Tarik Brandt", "Mara Vogt"]
    assert (listed["items"][0], listed["next"]) == (new, None)


def test_many_notes_come_by_pages_without_those_of_other_jobs(
    client: httpx.Client, conn: Connection, scene: Scene, made: Made
) -> None:
    other = scene.job("Mill", "Rack", NOON_US - HOUR)
    for number in range(5):
        notes.add(conn, made.job.id, None, NOW, f"note {number}")
        notes.add(conn, other.job.id, None, NOW, f"other {number}")
    seen, cursor = [], None
    while True:
        query = {"limit": 2} | ({} if cursor is None else {"cursor": cursor})
        page = client.get(f"/api/v1/jobs/{made.job.id}/notes", params=query).json()
        seen += [one["text"] for one in page["items"]]
        cursor = page["next"]
        if cursor is None:
            break
    assert seen == [f"note {number}" for number in (4, 3, 2, 1, 0)]


@pytest.mark.parametrize("body", [{"text": "  "}, {"text": "x" * 2001}, {"text": "a\u0000b"}, {}])
def test_what_is_no_note_is_refused_at_its_field(
    client: httpx.Client, made: Made, body: dict[str, str]
) -> None:
    answer = client.post(f"/api/v1/jobs/{made.job.id}/notes", json=body)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (422, "text")
    assert client.get(f"/api/v1/jobs/{made.job.id}/notes").json()["items"] == []


def test_there_are_no_notes_of_no_job(client: httpx.Client) -> None:
    assert client.get("/api/v1/jobs/999/notes").status_code == 404
    assert client.post("/api/v1/jobs/999/notes", json={"text": "x"}).status_code == 404
