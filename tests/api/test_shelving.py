"""Alerts put aside, taken out of service, and said to be right or not, over HTTP and on the page."""

from __future__ import annotations

from datetime import timedelta

import httpx
import pytest

from model.alert import Priority
from model.clock import to_datetime
from store.database import Connection
from tests.api.scene import Made, Scene
from tests.api.serving import NOON_US, TECHNICIAN, Serving

NOW = to_datetime(NOON_US)


@pytest.fixture
def alert(scene: Scene, jobs: dict[str, Made]) -> int:
    made = scene.alert(jobs["leak"], "order-not-done", Priority.HIGH, "Not closed.", "Look.", NOON_US)
    assert made.alert_id is not None
    return made.alert_id


def until(hours: float) -> str:
    return (NOW + timedelta(hours=hours)).isoformat()


def test_an_alert_is_put_aside_with_a_reason_and_taken_back(client: httpx.Client, alert: int) -> None:
    address = f"/api/v1/alerts/{alert}"
    shelved = client.post(f"{address}/shelve", json={"reason": "Valve is being changed", "until": until(4)})
    assert shelved.status_code == 200, shelved.text
    told = client.get(address).json()
    assert (told["held"], told["held_because"]) == ("shelved", "Valve is being changed")
    assert told["history"][-1]["what"] == "shelved"
    page = client.get("/alerts").text
    assert "Shelved:" in page
    assert "Nobody is sent a message of it." in page
    assert client.post(f"{address}/unshelve", json={}).status_code == 200
    assert client.post(f"{address}/unshelve", json={}).status_code == 409


@pytest.mark.parametrize(
    ("wish", "status", "field"),
    [
        ({"reason": "", "until": until(4)}, 422, "reason"),
        ({"reason": "x", "until": until(-1)}, 422, "until"),
        ({"reason": "x", "until": until(25)}, 422, "until"),
        ({"reason": "x"}, 422, "until"),
    ],
)
def test_what_cannot_be_put_aside_says_why(
    client: httpx.Client, alert: int, wish: dict[str, str], status: int, field: str
) -> None:
    answer = client.post(f"/api/v1/alerts/{alert}/shelve", json=wish)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (status, field)


def test_an_alert_of_a_circuit_that_is_being_harmed_is_never_put_aside(
    client: httpx.Client, scene: Scene, jobs: dict[str, Made]
) -> None:
    made = scene.alert(jobs["wet"], "pump-stopped-open", Priority.URGENT, "Air comes in.", "Go.", NOON_US)
    answer = client.post(f"/api/v1/alerts/{made.alert_id}/shelve", json={"reason": "x", "until": until(1)})
    assert answer.status_code == 409
    assert f'action="/alerts/{made.alert_id}/shelve"' not in client.get("/alerts").text


def test_by_the_plain_forms(api: Serving, client: httpx.Client, alert: int) -> None:
    client.headers["origin"] = api.address
    form = {"reason": "Crew is there", "hours": "2"}
    assert client.post(f"/alerts/{alert}/shelve", data=form).status_code == 303
    assert client.get(f"/api/v1/alerts/{alert}").json()["held"] == "shelved"
    assert "Take it off the shelf" in client.get("/alerts").text
    assert client.post(f"/alerts/{alert}/unshelve").status_code == 303
    assert client.post(f"/alerts/{alert}/opinion", data={"answer": "no"}).status_code == 303
    assert 'value="no" aria-pressed="true"' in client.get("/alerts").text


def test_each_person_says_once_whether_it_was_right(api: Serving, client: httpx.Client, alert: int) -> None:
    address = f"/api/v1/alerts/{alert}"
    client.post(f"{address}/opinion", json={"answer": "no", "note": "The hose had come off"})
    client.post(f"{address}/opinion", json={"answer": "yes"})
    with api.client(TECHNICIAN) as technician:
        technician.post(f"{address}/opinion", json={"answer": "cannot-say"})
        assert technician.post(f"{address}/opinion", json={"answer": "perhaps"}).status_code == 422
    told = client.get(address).json()["opinions"]
    assert [(one["person"], one["answer"], one["note"]) for one in told] == [
        ("Mara Vogt", "yes", "The hose had come off"),
        ("Tarik Brandt", "cannot-say", ""),
    ]


def test_an_instrument_goes_out_of_service_and_back(
    client: httpx.Client, conn: Connection, jobs: dict[str, Made]
) -> None:
    for kind, number in (("instruments", jobs["leak"].gauge.id), ("gateways", jobs["leak"].gauge.gateway_id)):
        address = f"/api/v1/{kind}/{number}/alert-service"
        assert client.get(address).json()["in_service"]
        out = client.post(f"{address}/out", json={"reason": "Sensor is being exchanged"}).json()
        assert (out["in_service"], out["person"]) == (False, "Mara Vogt")
        assert client.post(f"{address}/out", json={"reason": "again"}).status_code == 409
        assert client.post(f"{address}/back", json={}).json()["in_service"]
        assert client.post(f"{address}/back", json={}).status_code == 409
        assert (
            client.post(f"/api/v1/{kind}/999999/alert-service/out", json={"reason": "x"}).status_code == 404
        )
    kinds = conn.execute("SELECT kind FROM event ORDER BY id DESC LIMIT 4").fetchall()
    assert (
        sorted(row["kind"] for row in kinds) == ["alerts-back-in-service"] * 2 + ["alerts-out-of-service"] * 2
    )
