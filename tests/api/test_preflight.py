"""The checks before leaving, over HTTP and on their page: beside the dry run of a plan, and what is kept."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from api.preflight import STAGES
from model.clock import US, to_datetime
from model.event import EventKind
from model.hold_plan import PlanState
from model.order import OrderResult
from model.preflight import ProofKind, TravelResult
from model.reading import Quantity, Valve
from store import notifications, orders, proofs, watches
from store.database import Connection
from tests.api.rigs import Rig, rig
from tests.api.scene import MINUTE, Scene
from tests.api.serving import NOON_US, Serving
from tests.api.valves import presence, report, settle


@pytest.fixture
def ready(scene: Scene) -> Rig:
    """The valve stands open to a running pump; nobody has proved or planned anything."""
    ready = rig(scene)
    report(scene, ready.made, Valve.OPEN, scene.now_us - 4 * US)
    return ready


def look(client: httpx.Client, ready: Rig) -> dict[str, Any]:
    answer = client.get(f"/api/v1/jobs/{ready.made.job.id}/preflight")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    found["by"] = {one["id"]: one for one in found["checks"]}
    return found


def plan(client: httpx.Client, ready: Rig, address: str = "", **more: object) -> dict[str, Any]:
    body = {"job_id": ready.made.job.id, "report_at": "06:30", **more}
    answer = client.post(f"/api/v1/hold-plans{address}", json=body)
    assert answer.is_success, answer.text
    return dict(answer.json())


CASES = ["as it is", "out of reach", "hands", "gauge silent", "battery unknown", "valve closed", "order open"]


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("planned", [False, True])
def test_it_agrees_with_the_dry_run(
    client: httpx.Client, conn: Connection, ready: Rig, case: str, planned: bool
) -> None:
    now_us = ready.scene.now_us
    match case:
        case "out of reach":
            presence(conn, ready.made, online=False)
        case "hands":
            ready.tell(ready.valve, Quantity.HANDS, now_us - US, 1.0)
        case "gauge silent":
            conn.execute("DELETE FROM latest WHERE instrument_id = %s", (ready.made.gauge.id,))
        case "battery unknown":
            ready.tell(ready.made.gauge, Quantity.BATTERY_SHARE, now_us - US, 0.4)
        case "valve closed":
            report(ready.scene, ready.made, Valve.CLOSED, now_us)
        case "order open":
            assert client.post(
                "/api/v1/orders", json={"instrument_id": ready.valve.id, "action": "close"}
            ).is_success
    dry = plan(client, ready, "/dry-run")["hindrances"]
    if planned:
        plan(client, ready)
        dry.pop("above-target")  # what a plan waits for
    seen = look(client, ready)
    behind = {name: one for one in seen["checks"] for name in one["interlocks"]}
    assert "above-target" in behind
    assert (case == "as it is") == (not set(dry) - {"above-target"})
    for name, said in dry.items():
        assert behind[name]["state"] == "hinders", name
        assert said in behind[name]["said"]
    # What hinders beyond it are the checks that no interlock knows of.
    beyond = {one["id"] for one in seen["checks"] if one["state"] == "hinders"}
    beyond -= {behind[name]["id"] for name in dry}
    assert beyond <= {"valve", "radio", "route"} | (set() if planned else {"hold"})
    assert seen["ready"] is False


def test_it_is_ready_once_everything_was_seen_to(
    api: Serving, client: httpx.Client, conn: Connection, ready: Rig
) -> None:
    job_id, now_us = ready.made.job.id, NOON_US
    assert look(client, ready)["by"]["hold"]["state"] == "hinders"
    made = plan(client, ready)
    ready.scene.readings(ready.made, [(now_us - n * 10 * US, 40.0) for n in range(180, 0, -1)])
    conn.execute("DELETE FROM latest WHERE quantity = %s", (int(Quantity.BATTERY_SHARE),))
    conn.execute(
        "INSERT INTO phase (job_id, kind, started_at) VALUES (%s, 'pull-down', %s)",
        (job_id, to_datetime(now_us - 60 * MINUTE)),
    )
    conn.execute(
        "INSERT INTO fact (job_id, kind, subject_at, happened_at, text, data) "
        "VALUES (%s, %s, %s, %s, '', '{}')",
        (job_id, EventKind.TARGET_REACHED, to_datetime(now_us - 60 * MINUTE), to_datetime(now_us - MINUTE)),
    )
    travelled(client, conn, ready, holds=True)
    with conn.transaction():
        proofs.keep(
            conn, ProofKind.RIG, now_us, job_id=job_id, person_id=None, passed=True, text="It stands."
        )
    delivered(conn, ready)
    seen = look(client, ready)
    assert [one["id"] for one in seen["checks"] if one["state"] == "hinders"] == []
    assert (seen["ready"], seen["stage"], seen["plan_id"]) == (True, "waiting", made["id"])
    assert [one["id"] for one in seen["checks"] if one["state"] == "care"] == ["clock", "power"]
    assert seen["text"] == "Ready to leave. 2 checks could be better."
    page = client.get(f"/jobs/{job_id}/preflight").text
    assert "Ready to leave. 2 checks could be better." in page
    assert "T1" not in page.split('id="checks"')[1].split("</ul>")[0], "moments are written for readers"
    for address in (f"/jobs/{job_id}", f"/jobs/{job_id}/site", f"/jobs/{job_id}/plan/{made['id']}"):
        assert f"/jobs/{job_id}/preflight" in client.get(address).text, address
    assert client.get("/jobs/999/preflight").status_code == 404
    assert client.get("/api/v1/jobs/999/preflight").status_code == 404


def travelled(client: httpx.Client, conn: Connection, ready: Rig, holds: bool | None) -> int:
    """A close by order half an hour ago, from open; then it was opened again."""
    asked_us = NOON_US - 30 * MINUTE
    ready.pump_reports(NOON_US - 40 * MINUTE, NOON_US)
    report(ready.scene, ready.made, Valve.OPEN, asked_us - 20 * US)
    answer = client.post("/api/v1/orders", json={"instrument_id": ready.valve.id, "action": "close"})
    assert answer.status_code == 201, answer.text
    number = int(answer.json()["id"])
    conn.execute("UPDATE valve_order SET asked_at = %s WHERE id = %s", (to_datetime(asked_us), number))
    settle(conn, number, OrderResult.DONE, asked_us + 2 * US)
    report(ready.scene, ready.made, Valve.CLOSED, asked_us + 6 * US)
    if holds is not None:
        with conn.transaction():
            watches.note_holds(conn, number, holds)
    report(ready.scene, ready.made, Valve.OPEN, NOON_US - 4 * US)
    return number


def delivered(conn: Connection, ready: Rig, *, failing: bool = False) -> int:
    """A message was taken over a channel of its own, and perhaps one after it was not."""
    row = conn.execute(
        "INSERT INTO channel (kind, name, address, shown, tells, added_at) "
        "VALUES ('mail', 'Duty', 'duty@example.org', 'duty@example.org', '{alerts}', %s) RETURNING id",
        (to_datetime(NOON_US),),
    ).fetchone()
    assert row is not None
    number = notifications.enqueue(conn, row["id"], "test", {}, NOON_US)
    assert number is not None
    notifications.sent(conn, number)
    if failing:
        later = notifications.enqueue(conn, row["id"], "test", {}, NOON_US)
        assert later is not None
        notifications.failed(conn, later, "answered 500", 60.0)
    return int(row["id"])


@pytest.mark.parametrize(
    ("holds", "result", "state"),
    [
        (True, TravelResult.PROVED, "right"),
        (False, TravelResult.NOT_HOLDING, "hinders"),
        (None, TravelResult.REPORTED, "care"),
    ],
)
def test_a_close_from_open_proves_the_valve_by_report_and_pressure(
    client: httpx.Client, conn: Connection, ready: Rig, holds: bool | None, result: TravelResult, state: str
) -> None:
    number = travelled(client, conn, ready, holds)
    found = proofs.travel(conn, ready.valve.id, NOON_US)
    assert found is not None
    assert (found.result, found.order_id, found.seconds) == (result, number, 7.0)
    assert look(client, ready)["by"]["valve"]["state"] == state
    assert "within 7 s" in look(client, ready)["by"]["valve"]["said"] or holds is False


def test_a_pump_that_stands_proves_nothing_of_the_seat(
    client: httpx.Client, conn: Connection, ready: Rig
) -> None:
    travelled(client, conn, ready, True)
    ready.tell(ready.pump, Quantity.PUMP, NOON_US - 28 * MINUTE, 0.0)
    found = proofs.travel(conn, ready.valve.id, NOON_US)
    assert found is not None
    assert found.result is TravelResult.REPORTED


def test_a_close_of_a_valve_that_stood_closed_is_no_travel(
    client: httpx.Client, conn: Connection, ready: Rig
) -> None:
    travelled(client, conn, ready, True)
    conn.execute(
        "DELETE FROM reading WHERE instrument_id = %s AND quantity = %s AND value = %s AND time < %s",
        (ready.valve.id, int(Quantity.VALVE), float(Valve.OPEN), to_datetime(NOON_US - 20 * MINUTE)),
    )
    assert proofs.travel(conn, ready.valve.id, NOON_US) is None


def test_a_job_whose_valve_is_turned_by_hand_has_its_checks(client: httpx.Client, scene: Scene) -> None:
    made = scene.job("Quay", "Freezer", scene.now_us - 60 * MINUTE, valve=False)
    scene.readings(made, [(scene.now_us - n * 10 * US, 40.0) for n in range(180, 0, -1)])
    seen = client.get(f"/api/v1/jobs/{made.job.id}/preflight").json()
    by = {one["id"]: one for one in seen["checks"]}
    assert (seen["instrument_id"], by["valve"]["state"], by["free"]["state"]) == (None, "care", "right")
    assert "by hand" in by["hold"]["todo"]
    assert client.get(f"/jobs/{made.job.id}/preflight").status_code == 200


def test_every_state_of_a_live_plan_is_a_stage() -> None:
    assert set(STAGES) == {state for state in PlanState if state.live}


def test_of_the_alert_route_it_is_enough_that_one_channel_works(
    client: httpx.Client, conn: Connection, ready: Rig
) -> None:
    def route() -> tuple[str, str]:
        seen = look(client, ready)["by"]["route"]
        return seen["state"], seen["said"]

    assert route()[0] == "hinders"
    first = delivered(conn, ready, failing=True)
    assert (route()[0], "not taken now" in route()[1]) == ("hinders", True)
    second = delivered(conn, ready)
    assert route()[0] == "right"
    conn.execute("UPDATE channel SET stopped_at = now() WHERE id = %s", (second,))
    assert route()[0] == "hinders"
    conn.execute(
        "UPDATE notification SET sent_at = now() - interval '3 days' WHERE channel_id = %s", (first,)
    )
    conn.execute("DELETE FROM notification WHERE attempts = 1 AND sent_at IS NULL")
    assert (route()[0], "delivered" in route()[1]) == ("care", True)


def test_the_travel_test_closes_past_the_interlocks_and_opens_as_any_opening(
    api: Serving, client: httpx.Client, conn: Connection, ready: Rig
) -> None:
    address = f"/jobs/{ready.made.job.id}/valve/{ready.valve.id}/travel"
    client.headers["Origin"] = api.address
    page = client.get(address).text
    assert 'data-step="close"' in page
    assert "never seen to close" in page
    ticket = page.split('name="decided_on" value="')[1].split('"')[0]
    assert client.post(address, data={"decided_on": ""}).status_code == 409
    ready.tell(ready.valve, Quantity.HANDS, NOON_US - US, 1.0)
    refused = client.post(address, data={"decided_on": ticket})
    assert (refused.status_code, "local hands" in refused.text) == (409, True)
    ready.tell(ready.valve, Quantity.HANDS, NOON_US, 0.0)
    assert client.post(address, data={"decided_on": ticket}).status_code == 303
    (given,) = client.get("/api/v1/orders").json()["items"]
    assert (given["action"], given["reason"]) == ("close", "Travel test")
    assert 'data-step="ordered"' in client.get(address).text
    settle(conn, given["id"], OrderResult.DONE, NOON_US)
    report(ready.scene, ready.made, Valve.CLOSED, NOON_US + US)
    api.clock.advance(30)
    ready.scene.now_us += 30 * US
    ready.pump_reports(NOON_US - 10 * MINUTE, NOON_US + 20 * US)
    assert 'data-step="watched"' in client.get(address).text
    with conn.transaction():
        watches.note_holds(conn, given["id"], True)
    shown = client.get(address).text
    assert 'data-step="open"' in shown
    assert 'data-proved="yes"' in shown
    assert f"/jobs/{ready.made.job.id}/valve/{ready.valve.id}/open" in shown
    assert orders.by_id(conn, given["id"]).holds is True


def test_that_it_closes_without_power_is_written_down_by_who_has_seen_it(
    api: Serving, client: httpx.Client, conn: Connection, ready: Rig
) -> None:
    address = f"/jobs/{ready.made.job.id}/valve/{ready.valve.id}/travel/power"
    client.headers["Origin"] = api.address
    unseen = client.post(address, data={"text": "I was told so."})
    assert (unseen.status_code, "Only who has seen it" in unseen.text, "I was told so." in unseen.text) == (
        422, True, True,
    )  # fmt: skip
    assert proofs.newest(conn, ProofKind.POWER, instrument_id=ready.valve.id) is None
    assert client.post(address, data={"text": "Fuse pulled.", "seen": "yes"}).status_code == 303
    seen = look(client, ready)["by"]["power"]
    assert (seen["state"], "Fuse pulled." in seen["said"]) == ("right", True)
    (row,) = conn.execute("SELECT act, subject FROM audit WHERE act = 'prove-power'").fetchall()
    assert row["subject"] == f"instrument:{ready.valve.id}"
