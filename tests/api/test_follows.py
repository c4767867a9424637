"""People who follow a job are told; each arms, disarms and sees for themselves."""

from __future__ import annotations

import json
from collections.abc import Iterator

import httpx
import pytest

from model.event import EventKind
from store import events
from store.database import Connection
from store.events import NewEvent
from tests.api.scene import Made
from tests.api.serving import NOON_US, TECHNICIAN, Serving


@pytest.fixture
def technician(api: Serving) -> Iterator[httpx.Client]:
    with api.client(TECHNICIAN) as client:
        yield client


def tell(conn: Connection, made: Made, kind: EventKind, subject: str = "") -> int:
    new = NewEvent(
        kind, NOON_US, "A sentence.", subject or f"target:{NOON_US}", made.job.site_id, made.job.id
    )
    with conn.transaction():
        (number,) = events.record(conn, [new], NOON_US)
    return number


def told(client: httpx.Client) -> list[tuple[int, str]]:
    return [(item["event_id"], item["kind"]) for item in client.get("/api/v1/me/told").json()]


def arm(client: httpx.Client, made: Made, *, target: bool, over: bool) -> None:
    answer = client.put(f"/api/v1/jobs/{made.job.id}/follow", json={"target": target, "over": over})
    assert answer.status_code == 200
    assert answer.json() == {"target": target, "over": over}


def test_who_follows_a_job_is_told_what_they_armed_and_nobody_else(
    client: httpx.Client, technician: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    arm(client, jobs["pulling"], target=True, over=False)
    arm(technician, jobs["pulling"], target=True, over=True)
    reached = tell(conn, jobs["pulling"], EventKind.TARGET_REACHED)
    over = tell(conn, jobs["pulling"], EventKind.HOLD_FAILED)
    tell(conn, jobs["pulling"], EventKind.HOLD_PASSED)
    tell(conn, jobs["holding"], EventKind.TARGET_REACHED)
    assert told(client) == [(reached, "target-reached")]
    assert told(technician) == [(over, "hold-failed"), (reached, "target-reached")]


def test_what_one_has_seen_is_told_no_more_to_them_but_to_others(
    client: httpx.Client, technician: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    for one in (client, technician):
        arm(one, jobs["pulling"], target=True, over=False)
    reached = tell(conn, jobs["pulling"], EventKind.TARGET_REACHED)
    for _ in range(2):
        assert client.post(f"/api/v1/me/told/{reached}/seen", json={}).status_code == 204
    assert told(client) == []
    assert told(technician) == [(reached, "target-reached")]
    assert client.post(f"/api/v1/me/told/{reached + 99}/seen", json={}).status_code == 404


def test_disarmed_nothing_is_told_and_arming_again_brings_nothing_back(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    made = jobs["pulling"]
    tell(conn, made, EventKind.TARGET_REACHED)
    arm(client, made, target=True, over=True)
    assert told(client) == []
    arm(client, made, target=False, over=False)
    tell(conn, made, EventKind.HOLD_FAILED)
    assert client.get("/api/v1/me/follows").json() == []
    arm(client, made, target=True, over=True)
    assert told(client) == []
    (followed,) = client.get("/api/v1/me/follows").json()
    assert (followed["job_id"], followed["over"]) == (made.job.id, True)


def test_what_late_readings_took_back_is_still_told_but_marked(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    made = jobs["leak"]
    arm(client, made, target=True, over=True)
    tell(conn, made, EventKind.HOLD_FAILED, f"hold:{made.hold_id}")
    (item,) = client.get("/api/v1/me/told").json()
    assert not item["taken_back"]
    conn.execute("UPDATE hold_test SET verdict = 'passed' WHERE id = %s", (made.hold_id,))
    (item,) = client.get("/api/v1/me/told").json()
    assert item["taken_back"]


def test_the_stream_gives_every_page_a_word_that_somebody_is_told_something(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    with client.stream("GET", f"/api/v1/events?job={jobs['holding'].job.id}") as stream:
        lines = stream.iter_lines()
        while next(lines) != "event: hello":
            pass
        tell(conn, jobs["pulling"], EventKind.TARGET_REACHED)
        for line in lines:
            if line == "event: signal":
                assert json.loads(next(lines).removeprefix("data: ")) == {"job_id": jobs["pulling"].job.id}
                break


def test_sounds_are_chosen_by_each_and_bad_ones_are_refused_at_their_field(
    client: httpx.Client, technician: httpx.Client
) -> None:
    before = technician.get("/api/v1/me/signals").json()
    answer = client.patch("/api/v1/me/signals", json={"over_sound": "knock", "volume": 10})
    assert answer.json() == {**before, "over_sound": "knock", "volume": 10}
    assert technician.get("/api/v1/me/signals").json() == before
    for change, field in (({"target_sound": "shout"}, "target_sound"), ({"volume": 101}, "volume")):
        refused = client.patch("/api/v1/me/signals", json=change)
        assert refused.status_code == 422
        assert refused.json()["errors"][0]["field"] == field
    assert client.get("/api/v1/me/signals").json()["volume"] == 10


def test_the_page_keeps_what_was_typed_beside_the_sentence(client: httpx.Client) -> None:
    page = client.post(
        "/me/signals",
        data={"target_sound": "fall", "over_sound": "none", "volume": "loud"},
        headers={"Origin": str(client.base_url).rstrip("/")},
    )
    assert page.status_code == 422
    assert "The volume is from 0 to 100." in page.text
    assert 'value="loud"' in page.text
    assert 'value="fall" selected' in page.text


def test_a_job_that_is_not_there_cannot_be_followed(client: httpx.Client) -> None:
    for answer in (
        client.get("/api/v1/jobs/999/follow"),
        client.put("/api/v1/jobs/999/follow", json={"target": True, "over": True}),
    ):
        assert answer.status_code == 404
