"""Opening, changing, correcting and merging jobs: by JSON, and by forms without a script."""

from __future__ import annotations

import re
import threading
from datetime import UTC, datetime, timedelta

import httpx
import psycopg
import pytest

from model.clock import to_datetime
from store import assignments, jobs
from store.acting import Actor
from store.assignments import Wish
from store.database import Connection, connect
from tests.api.scene import HOUR, Made, Scene
from tests.api.serving import NOON_US, TECHNICIAN, Serving
from tests.waiting import wait_until

NOW = to_datetime(NOON_US)


@pytest.fixture
def pair(scene: Scene) -> tuple[Made, Made]:
    """Two jobs of one site, the second with an own gateway's gauge."""
    one = scene.job("Harbour", "Rack", NOON_US - 6 * HOUR)
    other = scene.job("Elsewhere", "Rack", NOON_US - 6 * HOUR)
    scene.conn.execute(
        "UPDATE job SET site_id = %s, circuit_id = NULL WHERE id = %s", (one.job.site_id, other.job.id)
    )
    return one, other


def iso(us: int) -> str:
    return to_datetime(us).isoformat()


def line(client: httpx.Client, made: Made) -> dict[str, object]:
    """The gauge's assignment."""
    found: list[dict[str, object]] = client.get(f"/api/v1/jobs/{made.job.id}/assignments").json()
    return next(one for one in found if one["instrument_id"] == made.gauge.id)


def post(api: Serving, client: httpx.Client, path: str, **data: str) -> httpx.Response:
    """Send a form as a browser does."""
    return client.post(path, data=data, headers={"Origin": api.address})


# JSON ---------------------------------------------------------------------------------------------------


def test_a_technician_opens_and_changes_a_job_and_the_audit_says_how(
    api: Serving, conn: Connection, pair: tuple[Made, Made]
) -> None:
    one, _ = pair
    with api.client(TECHNICIAN) as client:
        made = client.post(
            "/api/v1/jobs",
            json={
                "title": "Tomorrow", "site_id": one.job.site_id, "procedure_id": one.job.procedure_id,
                "start": iso(NOON_US + 24 * HOUR), "note": "Bring oil.",
            },
        )  # fmt: skip
        assert made.status_code == 201, made.text
        job = made.json()
        assert (job["state"], job["opened_at"]) == ("planned", "2026-05-29T20:26:40Z")
        changed = client.patch(f"/api/v1/jobs/{job['id']}", json={"title": "The day after", "crew_id": None})
        assert changed.json()["title"] == "The day after"
    row = conn.execute(
        "SELECT a.data, p.login FROM audit a JOIN person p ON p.id = a.person_id WHERE act = 'change-job'"
    ).fetchone()
    assert row == {
        "data": {"before": {"title": "Tomorrow"}, "after": {"title": "The day after"}},
        "login": TECHNICIAN,
    }


@pytest.mark.parametrize(
    ("change", "status", "field"),
    [
        ({"title": "  "}, 422, "title"),
        ({"title": None}, 422, "title"),
        ({"procedure_id": 999}, 404, "procedure_id"),
        ({"circuit_id": 999}, 404, "circuit_id"),
        ({"crew_id": 999}, 404, "crew_id"),
        ({"site_id": 999}, 404, "site_id"),
        ({"start": "2026-01-01T00:00:00"}, 422, "start"),
    ],
)
def test_what_cannot_be_written_down_is_refused_at_its_field(
    client: httpx.Client, pair: tuple[Made, Made], change: dict[str, object], status: int, field: str
) -> None:
    answer = client.patch(f"/api/v1/jobs/{pair[0].job.id}", json=change)
    assert answer.status_code == status
    assert [error["field"] for error in answer.json()["errors"]] == [field]


def test_a_circuit_of_another_site_is_none_of_this_job(client: httpx.Client, scene: Scene) -> None:
    here, there = scene.job("Here", "Rack A", NOON_US), scene.job("There", "Rack B", NOON_US)
    answer = client.patch(f"/api/v1/jobs/{here.job.id}", json={"circuit_id": there.job.circuit_id})
    assert answer.status_code == 422
    assert answer.json()["detail"] == "The circuit “Rack B” is at another site (There)."


def test_an_instrument_that_serves_another_job_is_refused_and_taken_over_when_asked(
    client: httpx.Client, pair: tuple[Made, Made]
) -> None:
    one, other = pair
    wish = {"instrument_id": other.gauge.id, "since": iso(NOON_US - HOUR)}
    refused = client.post(f"/api/v1/jobs/{one.job.id}/assignments", json=wish)
    assert refused.status_code == 409
    # 28 May, 14:26 UTC is 16:26 in Berlin.
    assert refused.json()["detail"] == (
        f"gw-elsewhere/g1 serves job {other.job.id}, “Evacuation Rack”, from 2026-05-28 16:26 to now. "
        "Take it over to end that there, or choose another span."
    )
    before = client.get(f"/api/v1/jobs/{other.job.id}/assignments").json()
    assert before[0]["until"] is None
    taken = client.post(f"/api/v1/jobs/{one.job.id}/assignments", json={**wish, "take_over": True})
    assert taken.status_code == 201
    assert datetime.fromisoformat(str(line(client, other)["until"])) == NOW - timedelta(hours=1)


@pytest.mark.parametrize(
    ("how", "status", "field"),
    [
        ({"since": "2019-12-31T00:00:00Z"}, 422, "since"),
        ({"until": "2026-05-01T00:00:00Z"}, 422, "until"),
        ({"instrument_id": 999}, 404, "instrument"),
        ({"instrument_id": 99_999_999_999}, 404, "instrument"),
    ],
)
def test_a_correction_that_cannot_be_is_refused_and_changes_nothing(
    client: httpx.Client, pair: tuple[Made, Made], how: dict[str, object], status: int, field: str
) -> None:
    one, _ = pair
    before = line(client, one)
    answer = client.patch(f"/api/v1/jobs/{one.job.id}/assignments/{before['assignment_id']}", json=how)
    assert answer.status_code == status, answer.text
    assert [error["field"] for error in answer.json()["errors"]] == [field]
    assert line(client, one) == before


def test_a_correction_belongs_to_its_job(client: httpx.Client, pair: tuple[Made, Made]) -> None:
    one, other = pair
    number = line(client, one)["assignment_id"]
    assert client.patch(f"/api/v1/jobs/{other.job.id}/assignments/{number}", json={}).status_code == 404
    assert client.delete(f"/api/v1/jobs/{other.job.id}/assignments/{number}").status_code == 404
    assert client.delete(f"/api/v1/jobs/{one.job.id}/assignments/{number}").status_code == 204


def test_a_closed_job_takes_a_span_only_with_its_end(client: httpx.Client, pair: tuple[Made, Made]) -> None:
    one, other = pair
    path = f"/api/v1/jobs/{one.job.id}"
    assert client.post(f"{path}/close", json={"note": "Done."}).json()["note"] == "Done."
    assert client.post(f"{path}/close", json={}).status_code == 409
    client.delete(f"/api/v1/jobs/{other.job.id}/assignments/{line(client, other)['assignment_id']}")
    wish = {"instrument_id": other.gauge.id, "since": iso(NOON_US - HOUR)}
    refused = client.post(f"{path}/assignments", json=wish)
    assert refused.json()["errors"][0]["field"] == "until"
    assert client.post(f"{path}/assignments", json={**wish, "until": iso(NOON_US)}).status_code == 201
    again = client.post(f"{path}/reopen", json={}).json()
    assert (again["closed_at"], again["kept_open"]) == (None, True)
    assert client.post(f"{path}/reopen", json={}).status_code == 409


def test_a_merged_job_is_kept_with_a_link(client: httpx.Client, pair: tuple[Made, Made]) -> None:
    one, other = pair
    merged = client.post(f"/api/v1/jobs/{one.job.id}/merge", json={"job_id": other.job.id})
    assert merged.status_code == 200, merged.text
    assert {item["instrument_id"] for item in merged.json()["instruments"]} >= {one.gauge.id, other.gauge.id}
    emptied = client.get(f"/api/v1/jobs/{other.job.id}").json()
    assert (emptied["state"], emptied["merged_into"]) == ("closed", one.job.id)
    page = client.get(f"/jobs/{other.job.id}").text
    assert f'This job was merged into <a href="/jobs/{one.job.id}">' in page
    assert f'<a href="/jobs/{other.job.id}">' in client.get(f"/jobs/{one.job.id}").text
    refused = client.post(f"/api/v1/jobs/{other.job.id}/merge", json={"job_id": one.job.id})
    assert refused.status_code == 409


def test_planned_jobs_come_from_a_table_or_none_does(client: httpx.Client, pair: tuple[Made, Made]) -> None:
    csv = {"Content-Type": "text/csv"}
    good = "title,site,start\nOne,Harbour,2026-06-01 08:00\nTwo,Harbour,2026-06-02 08:00\n"
    dry = client.post("/api/v1/jobs/import?dry_run=true", content=good, headers=csv)
    assert dry.json() == {
        "applied": False,
        "jobs": [{"line": 2, "name": "One", "job_id": None}, {"line": 3, "name": "Two", "job_id": None}],
    }
    bad = client.post("/api/v1/jobs/import", content=good + "Three,Harbour,whenever\n", headers=csv)
    assert bad.status_code == 422
    assert [error["field"] for error in bad.json()["errors"]] == ["line 4, start"]
    titles = {job["title"] for job in client.get("/api/v1/jobs").json()["items"]}
    assert not titles & {"One", "Two"}
    made = client.post("/api/v1/jobs/import", content=good, headers=csv).json()
    assert made["applied"]
    start = client.get(f"/api/v1/jobs/{made['jobs'][0]['job_id']}").json()["opened_at"]
    assert datetime.fromisoformat(start) == datetime(2026, 6, 1, 6, tzinfo=UTC)


# The database --------------------------------------------------------------------------------------------


def test_two_people_at_once_cannot_give_one_instrument_to_two_jobs(
    api: Serving, conn: Connection, scene: Scene
) -> None:
    made = [scene.job(name, "Rack", NOON_US - HOUR) for name in ("Here", "There")]
    free = made[0].gauge.id
    conn.execute("DELETE FROM assignment WHERE instrument_id = %s", (free,))
    told: list[str] = []

    def give(number: int) -> None:
        try:
            with connect(api.dsn, application="test") as own:
                wish = Wish(made[number].job.id, free, NOON_US - HOUR)
                assignments.assign(own, wish, Actor(f"Person {number}", NOON_US))
        except Exception as error:
            told.append(type(error).__name__)

    threads = [threading.Thread(target=give, args=(number,)) for number in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert told == ["Conflict"]
    rows = conn.execute("SELECT job_id FROM assignment WHERE instrument_id = %s", (free,)).fetchall()
    assert len(rows) == 1


def test_the_database_itself_refuses_what_overlaps_also_from_two_connections(
    api: Serving, conn: Connection, scene: Scene
) -> None:
    one, other = scene.job("Here", "Rack", NOON_US - HOUR), scene.job("There", "Rack", NOON_US - HOUR)
    conn.execute("DELETE FROM assignment")
    insert = "INSERT INTO assignment (job_id, instrument_id, since, until) VALUES (%s, %s, %s, %s)"
    span = (to_datetime(NOON_US - HOUR), to_datetime(NOON_US))
    told: list[type] = []
    with connect(api.dsn, application="first") as first:
        first.execute(insert, (one.job.id, one.gauge.id, *span))

        def second() -> None:
            with connect(api.dsn, application="second") as own:
                try:
                    own.execute(insert, (other.job.id, one.gauge.id, span[0] + timedelta(minutes=30), None))
                except psycopg.Error as error:
                    told.append(type(error))

        thread = threading.Thread(target=second)
        thread.start()
        # It waits for the first one to end, whichever way.
        wait_until(
            lambda: (
                conn.execute(
                    "SELECT FROM pg_stat_activity WHERE application_name LIKE '%second' "
                    "AND wait_event_type = 'Lock'"
                ).fetchone()
                is not None
            ),
            what="the second to wait",
        )
        first.commit()
        thread.join()
    assert told == [psycopg.errors.ExclusionViolation]
    # What touches does not overlap.
    conn.execute(insert, (other.job.id, one.gauge.id, span[1], None))


# Pages ---------------------------------------------------------------------------------------------------


def test_a_job_is_opened_by_a_plain_form_and_bad_input_keeps_what_was_typed(
    api: Serving, client: httpx.Client, pair: tuple[Made, Made]
) -> None:
    one, _ = pair
    typed = {
        "title": "", "site_id": str(one.job.site_id), "circuit_id": str(one.job.circuit_id), "crew_id": "",
        "procedure_id": str(one.job.procedure_id), "state": "running", "start": "2026-05-28T12:00",
        "note": "Bring <oil>.", f"serves-{one.gauge.id}": "on", "decides": str(one.gauge.id),
    }  # fmt: skip
    page = post(api, client, "/jobs/new", **typed)
    assert page.status_code == 422
    assert re.search(r'id="title"[^>]*aria-invalid="true"', page.text)
    assert "A job needs a title." in page.text
    assert "Bring &lt;oil&gt;." in page.text
    assert 'value="2026-05-28T12:00"' in page.text
    assert re.search(rf'name="serves-{one.gauge.id}" checked', page.text)
    page = post(api, client, "/jobs/new", **{**typed, "title": "Rack again"})
    assert page.status_code == 422
    assert f"serves job {one.job.id}, “Evacuation Rack”" in page.text
    assert 'name="take_over"' in page.text
    made = post(api, client, "/jobs/new", **{**typed, "title": "Rack again", "take_over": "on"})
    assert made.status_code == 303
    number = int(made.headers["location"].rsplit("/", 1)[1])
    job = client.get(f"/api/v1/jobs/{number}").json()
    # Noon in Berlin in May (UTC+2).
    assert (job["state"], job["opened_at"]) == ("running", "2026-05-28T10:00:00Z")
    assert job["note"] == "Bring <oil>."


def test_a_walk_up_job_gets_its_name_circuit_crew_and_procedure_in_one_form(
    api: Serving, client: httpx.Client, scene: Scene
) -> None:
    made = scene.job("Harbour", "Rack", NOON_US - HOUR, title="Walk-up at Harbour", walk_up=True)
    circuit = scene.conn.execute("SELECT id FROM circuit").fetchone()
    assert circuit is not None
    page = client.get(f"/jobs/{made.job.id}/setup").text
    assert "A reading opened this job at Harbour." in page
    assert 'name="site_id"' not in page
    start = re.search(r'name="start"[^>]*value="([^"]*)"', page)
    assert start is not None
    done = post(
        api, client, f"/jobs/{made.job.id}/setup", title="Rack B", circuit_id=str(circuit["id"]),
        crew_id=str(scene.crew.id), procedure_id=str(made.job.procedure_id), start=start[1],
    )  # fmt: skip
    assert done.status_code == 303
    job = client.get(f"/api/v1/jobs/{made.job.id}").json()
    assert (job["title"], job["circuit"], job["crew"], job["site"]) == (
        "Rack B",
        "Rack",
        "Crew North",
        "Harbour",
    )
    # The start was left as it was shown, by the second, and is what it was, to the microsecond.
    assert jobs.by_id(scene.conn, made.job.id).opened_us == made.job.opened_us


def test_a_wrong_correction_says_so_at_its_field_and_loses_nothing(
    api: Serving, client: httpx.Client, pair: tuple[Made, Made]
) -> None:
    one, _ = pair
    number = line(client, one)["assignment_id"]
    path = f"/jobs/{one.job.id}/assignments/{number}"
    page = post(
        api, client, path, instrument=str(one.gauge.id), since="2026-05-28T12:00", until="2026-05-28T11:00",
        deciding="on",
    )  # fmt: skip
    assert page.status_code == 422
    assert "The span ends before it begins." in page.text
    assert re.search(
        rf'id="assignment-{number}-until"[^>]*value="2026-05-28T11:00"[^>]*aria-invalid', page.text
    )
    page = post(api, client, path, instrument=str(one.gauge.id), since="2026-03-29T02:30")
    assert "does not exist in Europe/Berlin: the clocks went forward." in page.text
    assert post(api, client, path, remove="1").status_code == 303
    assert one.gauge.id not in {
        item["instrument_id"] for item in client.get(f"/api/v1/jobs/{one.job.id}/assignments").json()
    }


def test_the_job_page_says_that_it_is_judged_anew_until_it_is(
    api: Serving, client: httpx.Client, pair: tuple[Made, Made], conn: Connection
) -> None:
    one, _ = pair
    conn.execute(
        "INSERT INTO track (job_id, settings, head_at, goal_at, state_at, state, written_at) "
        "VALUES (%s, 'x', %s, %s, %s, %s, now())",
        (one.job.id, NOW, NOW, NOW, b"{}"),
    )
    words = "Being judged anew"
    assert words not in client.get(f"/jobs/{one.job.id}").text
    post(api, client, f"/jobs/{one.job.id}/merge", job=str(pair[1].job.id))
    assert words in client.get(f"/jobs/{one.job.id}/judgement").text
    assert client.get(f"/api/v1/jobs/{one.job.id}").json()["judged_anew"]
    conn.execute("UPDATE track SET seen = 'done', because = ''")
    assert words not in client.get(f"/jobs/{one.job.id}").text


def test_every_act_keeps_what_was_before_and_after(
    client: httpx.Client, pair: tuple[Made, Made], conn: Connection
) -> None:
    one, other = pair
    number = line(client, one)["assignment_id"]
    until = iso(NOON_US - HOUR)
    client.patch(f"/api/v1/jobs/{one.job.id}/assignments/{number}", json={"until": until})
    client.post(f"/api/v1/jobs/{one.job.id}/merge", json={"job_id": other.job.id})
    client.post(f"/api/v1/jobs/{one.job.id}/close", json={"note": "Done."})
    client.post(f"/api/v1/jobs/{one.job.id}/reopen", json={})
    rows = {
        (row["act"], row["subject"]): row["data"]
        for row in conn.execute("SELECT act, subject, data FROM audit ORDER BY id")
    }
    subject = f"job:{one.job.id}"
    corrected = rows["correct-assignment", subject]
    assert corrected["before"] == {"until": None}
    assert datetime.fromisoformat(corrected["after"]["until"]) == to_datetime(NOON_US - HOUR)
    assert rows["merge-job", f"job:{other.job.id}"]["after"] == {"merged_into": one.job.id, "assignments": []}
    assert rows["close-job", subject]["after"]["state"] == "closed"
    assert rows["reopen-job", subject]["before"]["state"] == "closed"


def test_the_side_is_said_of_a_span_and_stays_where_it_is_not_spoken_of(
    client: httpx.Client, conn: Connection, scene: Scene
) -> None:
    made = scene.job("Quay", "Rack", NOON_US - HOUR)
    (gauge, shut) = client.get(f"/api/v1/jobs/{made.job.id}/assignments").json()
    assert (gauge["position"], gauge["side"]) == ("circuit", None)
    path = f"/api/v1/jobs/{made.job.id}/assignments/{gauge['assignment_id']}"
    told = client.patch(path, json={"side": "pump", "deciding": True})
    assert (told.status_code, told.json()["errors"][0]["field"]) == (422, "deciding")
    client.patch(path, json={"side": "pump", "deciding": False})
    client.patch(path, json={"since": gauge["since"]})
    (gauge, shut) = client.get(f"/api/v1/jobs/{made.job.id}/assignments").json()
    assert (gauge["position"], gauge["side"]) == ("pump", "pump")
    client.patch(path, json={"side": None})
    (gauge, shut) = client.get(f"/api/v1/jobs/{made.job.id}/assignments").json()
    assert (gauge["position"], gauge["side"]) == ("circuit", None)
    path = f"/api/v1/jobs/{made.job.id}/assignments/{shut['assignment_id']}"
    told = client.patch(path, json={"side": "pump"})
    assert (told.status_code, told.json()["errors"][0]["field"]) == (422, "side")
