"""A person marks a gauge as suspect: over HTTP and on its page, and what hinders by it."""

from __future__ import annotations

import httpx
import pytest

from store.database import Connection
from tests.api.rigs import Rig, rig
from tests.api.scene import Scene
from tests.api.serving import LOGIN, TECHNICIAN, Serving
from tests.api.test_opening import ask_open, look
from tests.api.test_orders import plain, submit


@pytest.fixture
def ready(scene: Scene) -> Rig:
    """Nothing hinders."""
    return rig(scene)


def of(found: list[dict[str, str]]) -> list[str]:
    return [one["id"] for one in found]


def test_a_marked_gauge_on_the_circuit_hinders_until_it_is_trusted_again(
    client: httpx.Client, conn: Connection, ready: Rig
) -> None:
    address = f"/api/v1/instruments/{ready.made.gauge.id}"
    holds = of(look(client, ready)["hold"])
    answer = client.post(f"{address}/suspect", json={"reason": "Oil in the cell"})
    assert answer.status_code == 200, answer.text
    made = answer.json()
    assert (made["suspect"]["reason"], made["suspect"]["by"]) == ("Oil in the cell", "Mara Vogt")
    assert made["judged_again"] == [ready.made.job.id]
    assert client.get(address).json()["suspect"] == made["suspect"]
    found = look(client, ready)
    assert of(found["open"]) == ["gauge-suspect"]
    assert set(of(found["hold"])) == {*holds, "gauge-unfit"}
    assert ask_open(client, ready).status_code == 409
    assert client.post(f"{address}/trust", json={}).json()["suspect"] is None
    assert look(client, ready)["open"] == []
    rows = conn.execute(
        "SELECT p.login, a.act, a.data FROM audit a JOIN person p ON p.id = a.person_id "
        "WHERE subject = %s ORDER BY a.id",
        (f"instrument:{ready.made.gauge.id}",),
    ).fetchall()
    assert [(row["login"], row["act"]) for row in rows] == [
        (LOGIN, "mark-suspect"),
        (LOGIN, "trust-gauge"),
    ]
    assert rows[0]["data"]["after"] == {"suspect": "Oil in the cell"}


def test_a_marked_gauge_on_the_pump_side_is_as_good_as_none(client: httpx.Client, ready: Rig) -> None:
    """One that reads too low would hide that the circuit stands lower."""
    client.post(f"/api/v1/instruments/{ready.pump_side.id}/suspect", json={"reason": "It drifts"})
    (found,) = look(client, ready)["open"]
    assert (found["id"], found["overridden_by"]) == ("pump-side-unknown", "on-site")
    assert "on the pump side is suspect" in found["text"]


def test_who_is_at_the_site_may_mark_a_gauge_and_a_mark_needs_a_gauge_and_a_reason(
    api: Serving, ready: Rig
) -> None:
    address = f"/api/v1/instruments/{ready.made.gauge.id}"
    with api.client(TECHNICIAN) as client:
        assert client.post(f"{address}/trust", json={}).status_code == 409
        assert client.post(f"{address}/suspect", json={"reason": " "}).status_code == 422
        assert client.post(f"{address}/suspect", json={"reason": "Wet"}).status_code == 200
        assert client.post(f"{address}/suspect", json={"reason": "Wet"}).status_code == 409
        valve = f"/api/v1/instruments/{ready.valve.id}/suspect"
        assert client.post(valve, json={"reason": "Wet"}).status_code == 422
        assert client.post("/api/v1/instruments/987654/suspect", json={"reason": "Wet"}).status_code == 404


def test_a_gauge_is_marked_and_trusted_on_its_page(client: httpx.Client, ready: Rig) -> None:
    address = f"/setup/instruments/{ready.made.gauge.id}"
    assert "Mark as suspect" in plain(client.get(address))
    refused = submit(client, f"{address}/suspect", reason="")
    assert (refused.status_code, "Say why it is suspect" in refused.text) == (422, True)
    assert submit(client, f"{address}/suspect", reason="Oil in the cell").status_code == 303
    twice = submit(client, f"{address}/suspect", reason="Wet")
    assert (twice.status_code, "marked as suspect already" in twice.text) == (409, True)
    page = plain(client.get(address))
    assert "says Mara Vogt: Oil in the cell" in page
    assert "mark suspect" in page
    assert submit(client, f"{address}/suspect", trust="yes").status_code == 303
    page = plain(client.get(address))
    assert "Mark as suspect" in page
    assert ": Oil in the cell" in page
    assert "Mark as suspect" not in plain(client.get(f"/setup/instruments/{ready.valve.id}"))
