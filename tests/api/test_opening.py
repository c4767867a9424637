"""Opening a valve from afar, over HTTP and by plain forms: a site's setting, interlocks, overrides."""

from __future__ import annotations

import re
from typing import Any

import httpx
import pytest
from psycopg import errors

from model.clock import US, to_datetime
from model.equipment import Role
from model.errors import Conflict
from model.order import OrderAction, OrderResult, Outcome, Require
from model.reading import Quantity, Valve
from model.rights import Role as PersonRole
from store import equipment, jobs, openings, orders, people, valve_facts
from store.audit import By
from store.database import Connection, connect
from store.orders import Wish
from tests.api.rigs import Rig, rig
from tests.api.scene import MINUTE, Scene
from tests.api.serving import LOGIN, NOON_US, TECHNICIAN, Serving
from tests.api.test_orders import plain, submit
from tests.api.valves import presence, report


@pytest.fixture
def ready(scene: Scene) -> Rig:
    """Nothing hinders."""
    return rig(scene)


def look(client: httpx.Client, ready: Rig) -> dict[str, Any]:
    answer = client.get(f"/api/v1/valves/{ready.valve.id}/hindrances")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def hinders(client: httpx.Client, ready: Rig) -> list[str]:
    return [one["id"] for one in look(client, ready)["open"]]


def ask_open(client: httpx.Client, ready: Rig, **more: object) -> httpx.Response:
    body = {
        "instrument_id": ready.valve.id,
        "action": "open",
        "decided_on": look(client, ready)["decided_on"],
        **more,
    }
    return client.post("/api/v1/orders", json=body)


def test_an_opening_is_ordered_with_what_the_gateway_must_find_confirmed(
    client: httpx.Client, conn: Connection, ready: Rig
) -> None:
    assert look(client, ready)["open"] == []
    answer = ask_open(client, ready, reason="Second pull")
    assert answer.status_code == 201, answer.text
    made = answer.json()
    assert (made["action"], made["state"], made["ttl_s"]) == ("open", "asked", 30.0)
    assert made["require"] == {"pump_running_s": 120.0, "max_circuit_pa": 583.0, "position": "closed"}
    assert made["overridden"] == []
    stored = orders.by_id(conn, made["id"])
    assert stored.require == Require(120.0, 583.0, Valve.CLOSED)
    assert (stored.session, stored.boot) == ("s1", "b1")


def test_an_opening_needs_what_it_was_decided_on_and_that_nothing_changed_since(
    api: Serving, client: httpx.Client, ready: Rig
) -> None:
    assert ask_open(client, ready, decided_on="").status_code == 422
    assert ask_open(client, ready, decided_on="nonsense").status_code == 422
    ticket = look(client, ready)["decided_on"]
    report(ready.scene, ready.made, Valve.MOVING, ready.scene.now_us)
    report(ready.scene, ready.made, Valve.CLOSED, ready.scene.now_us + US)
    presence(ready.scene.conn, ready.made, online=True)
    ready.tell(ready.pump, Quantity.PUMP, ready.scene.now_us + US, 0.0)
    answer = ask_open(client, ready, decided_on=ticket)
    assert answer.status_code == 409
    assert {"stale-page", "pump"} <= answer.json()["hindrances"].keys()
    assert "Something has changed since this page was made" in answer.json()["detail"]
    assert client.get("/api/v1/orders").json()["items"] == []


@pytest.mark.parametrize(
    ("expected", "words"),
    [
        ("pump", "never open an isolation valve to a stopped pump"),
        ("local-hands", "local hands"),
        ("not-closed", "reports open, not closed"),
        ("backwards", "lower pressure than the pump side"),
        ("out-of-reach", "out of reach"),
    ],
)
def test_what_hinders_is_said(client: httpx.Client, ready: Rig, expected: str, words: str) -> None:
    now_us = ready.scene.now_us
    match expected:
        case "pump":
            ready.tell(ready.pump, Quantity.PUMP, now_us + US, 0.0)
        case "local-hands":
            ready.tell(ready.valve, Quantity.HANDS, now_us - 3600 * US, 1.0)
        case "not-closed":
            report(ready.scene, ready.made, Valve.OPEN, now_us)
        case "backwards":
            ready.tell(ready.made.gauge, Quantity.PRESSURE, now_us, 5.0)
        case "out-of-reach":
            presence(ready.scene.conn, ready.made, online=False)
    answer = ask_open(client, ready)
    assert answer.status_code == 409
    assert list(answer.json()["hindrances"]) == [expected]
    assert words in answer.json()["detail"]


def test_a_pump_counts_from_its_first_report_after_a_stop_or_a_gap(client: httpx.Client, ready: Rig) -> None:
    now_us = ready.scene.now_us
    assert hinders(client, ready) == []
    # It stood a minute ago.
    ready.tell(ready.pump, Quantity.PUMP, now_us - 90 * US, 0.0)
    ready.tell(ready.pump, Quantity.PUMP, now_us, 1.0)
    assert hinders(client, ready) == ["pump"]
    ready.scene.conn.execute("DELETE FROM reading WHERE value = 0 AND instrument_id = %s", (ready.pump.id,))
    assert hinders(client, ready) == []
    # Nobody knows what it did between its report of three minutes ago and now.
    ready.scene.conn.execute(
        "DELETE FROM reading WHERE instrument_id = %s AND time BETWEEN to_timestamp(%s) AND to_timestamp(%s)",
        (ready.pump.id, now_us / US - 200, now_us / US - 1),
    )
    assert hinders(client, ready) == ["pump"]


def test_of_two_pumps_both_must_run(client: httpx.Client, conn: Connection, ready: Rig) -> None:
    second = equipment.add_instrument(conn, ready.valve.gateway_id, "p2", Role.PUMP)
    jobs.assign(conn, ready.made.job.id, second.id, ready.scene.now_us - MINUTE)
    assert hinders(client, ready) == ["pump"]
    for back in reversed(range(5)):
        ready.tell(second, Quantity.PUMP, ready.scene.now_us - back * MINUTE, 1.0)
    assert hinders(client, ready) == []
    ready.tell(second, Quantity.PUMP, ready.scene.now_us + US, 0.0)
    assert hinders(client, ready) == ["pump"]


def test_only_who_is_named_may_open_there_and_anybody_who_orders_may_close(api: Serving, ready: Rig) -> None:
    with api.client(TECHNICIAN) as technician:
        answer = ask_open(technician, ready)
        assert (answer.status_code, list(answer.json()["hindrances"])) == (409, ["not-named"])
        report(ready.scene, ready.made, Valve.OPEN, ready.scene.now_us)
        body = {"instrument_id": ready.valve.id, "action": "close"}
        assert technician.post("/api/v1/orders", json=body).status_code == 201


def test_a_missing_gauge_is_overridden_by_who_stands_there_and_it_is_written_down(
    client: httpx.Client, conn: Connection, ready: Rig
) -> None:
    conn.execute("DELETE FROM assignment WHERE instrument_id = %s", (ready.pump_side.id,))
    (found,) = look(client, ready)["open"]
    assert (found["id"], found["overridden_by"]) == ("pump-side-unknown", "on-site")
    wanted = {"override": ["pump-side-unknown"], "override_reason": "I see the pump pull"}
    assert ask_open(client, ready, **wanted).status_code == 409
    assert ask_open(client, ready, on_site=True, override=["pump-side-unknown"]).status_code == 422
    answer = ask_open(client, ready, on_site=True, **wanted)
    assert answer.status_code == 201, answer.text
    made = answer.json()
    assert (made["overridden"], made["override_reason"]) == (["pump-side-unknown"], "I see the pump pull")
    row = conn.execute(
        "SELECT p.login, a.act, a.data FROM audit a JOIN person p ON p.id = a.person_id WHERE subject = %s",
        (f"order:{made['id']}",),
    ).fetchone()
    assert row is not None
    assert (row["login"], row["act"]) == (LOGIN, "order-open")
    assert row["data"]["overridden"] == ["pump-side-unknown"]
    assert row["data"]["override_reason"] == "I see the pump pull"


def test_the_sites_switch_wins_whichever_gateway_it_hangs_at(
    client: httpx.Client, conn: Connection, ready: Rig
) -> None:
    other, _ = equipment.add_gateway(conn, "other-gw", ready.made.job.site_id, to_datetime(NOON_US))
    key = equipment.add_instrument(conn, other.id, "key", Role.VALVE)
    ready.tell(key, Quantity.HANDS, ready.scene.now_us, 1.0)
    assert hinders(client, ready) == ["local-hands"]
    conn.execute("UPDATE gateway SET revoked_at = now() WHERE id = %s", (other.id,))
    assert hinders(client, ready) == []


def claimed(ready: Rig) -> list[int]:
    return [one.id for one in orders.claim(ready.scene.conn, ready.scene.now_us, 10, 0.0, 0.0)]


RIGHTS = {
    "turned off": "UPDATE site SET opening_from_afar = false",
    "named no more": "DELETE FROM site_opener",
    "kept out": "UPDATE person SET disabled_at = now()",
    "gateway revoked": "UPDATE gateway SET revoked_at = now()",
}


@pytest.mark.parametrize("what", list(RIGHTS))
def test_an_open_is_not_sent_under_a_right_that_is_gone(
    client: httpx.Client, conn: Connection, ready: Rig, what: str
) -> None:
    made = ask_open(client, ready).json()
    assert claimed(ready) == [made["id"]]
    conn.execute(RIGHTS[what].encode())
    assert claimed(ready) == []


def test_a_person_who_is_kept_out_is_named_nowhere(conn: Connection, ready: Rig) -> None:
    """Also where a plan that they made goes on."""
    mara = people.by_login(conn, LOGIN).id
    assert valve_facts.gather(conn, ready.valve.id, NOON_US, person_id=mara).may_open_here
    conn.execute("UPDATE person SET disabled_at = now() WHERE id = %s", (mara,))
    assert not valve_facts.gather(conn, ready.valve.id, NOON_US, person_id=mara).may_open_here


def test_who_takes_a_right_away_waits_for_an_order_that_is_being_given(
    database: str, conn: Connection, ready: Rig
) -> None:
    """And the order that comes after sees it: none is written down under a right that is gone."""
    mara = people.by_login(conn, LOGIN).id
    with connect(database, application="giver") as giver:
        valve_facts.hold_still(giver, ready.valve.id)
        conn.execute("SET lock_timeout = '200ms'")
        with pytest.raises(errors.LockNotAvailable), conn.transaction():
            openings.change(
                conn, ready.made.job.site_id, By(to_datetime(NOON_US), mara), allowed=False, openers=[]
            )
        giver.rollback()
        with conn.transaction():
            openings.change(
                conn, ready.made.job.site_id, By(to_datetime(NOON_US), mara), allowed=False, openers=[]
            )
        valve_facts.hold_still(giver, ready.valve.id)
        assert not valve_facts.gather(giver, ready.valve.id, NOON_US, person_id=mara).opening_allowed


def test_an_order_is_not_written_down_when_another_was_given_since_the_facts_were_read(
    conn: Connection, ready: Rig
) -> None:
    """It may be over by now, and have moved the valve."""
    before = orders.known(conn, ready.valve.id)
    wish = Wish(OrderAction.CLOSE, "", 30.0, None, None)
    with conn.transaction():
        first = orders.ask(conn, before, wish, NOON_US)
    with conn.transaction():
        orders.settle(conn, [(first.id, Outcome(OrderResult.DONE, "", NOON_US, NOON_US + US))])
    with pytest.raises(Conflict, match="given meanwhile"), conn.transaction():
        orders.ask(conn, before, wish, NOON_US + 2 * US)
    assert orders.known(conn, ready.valve.id).latest == orders.by_id(conn, first.id)


def test_a_stopped_pump_is_overridden_by_nobody(client: httpx.Client, ready: Rig) -> None:
    ready.tell(ready.pump, Quantity.PUMP, ready.scene.now_us + US, 0.0)
    answer = ask_open(
        client, ready, on_site=True, override=["pump", "not-closed"], override_reason="It will start soon"
    )
    assert (answer.status_code, list(answer.json()["hindrances"])) == (409, ["pump"])


# The setting of a site --------------------------------------------------------------------------------


@pytest.fixture
def administrator(conn: Connection) -> str:
    people.register(conn, "ida", "Ida Sommer", PersonRole.ADMINISTRATOR, to_datetime(NOON_US), None)
    return "ida"


def test_opening_is_off_until_an_administrator_turns_it_on_and_it_is_audited(
    api: Serving, conn: Connection, scene: Scene, administrator: str
) -> None:
    made = scene.job("Quay Cold Store", "Rack 9", scene.now_us - MINUTE)
    address = f"/api/v1/sites/{made.job.site_id}/opening"
    mara = people.by_login(conn, LOGIN)
    with api.client() as manager:
        assert manager.get(address).json() == {"site_id": made.job.site_id, "allowed": False, "openers": []}
        assert manager.put(address, json={"allowed": True, "openers": [mara.id]}).status_code == 403
    with api.client(administrator) as client:
        assert client.put(address, json={"allowed": True, "openers": []}).status_code == 422
        assert client.put(address, json={"allowed": True, "openers": [987654]}).status_code == 422
        told = client.put(address, json={"allowed": True, "openers": [mara.id]}).json()
        assert told["openers"] == [{"id": mara.id, "name": "Mara Vogt"}]
        assert client.put(address, json={"allowed": False, "openers": []}).json()["allowed"] is False
    rows = conn.execute("SELECT data FROM audit WHERE act = 'change-opening' ORDER BY id").fetchall()
    assert [row["data"]["after"] for row in rows] == [
        {"opening_from_afar": True, "openers": ["Mara Vogt"]},
        {"opening_from_afar": False, "openers": []},
    ]


def test_the_page_states_the_risks_and_is_not_passed_unread(
    api: Serving, conn: Connection, scene: Scene, administrator: str
) -> None:
    made = scene.job("Quay Cold Store", "Rack 9", scene.now_us - MINUTE)
    address = f"/setup/sites/{made.job.site_id}/opening"
    mara = people.by_login(conn, LOGIN)
    with api.client() as manager:
        assert manager.get(address).status_code == 403
    with api.client(administrator) as client:
        page = plain(client.get(address))
        for risk in (
            "opens to a stopped pump",
            "a hand at valve",
            "Flammable refrigerants",
            "normally closed with spring return",
            "proved by taking its power away",
            "local codes and a licensed technician",
        ):
            assert risk in page, risk
        fields = {"allowed": "yes", "openers": str(mara.id)}
        refused = submit(client, address, **fields)
        assert (refused.status_code, "the risks are understood" in refused.text) == (422, True)
        assert submit(client, address, understood="yes", **fields).status_code == 303
        assert "Mara Vogt may open valves here from afar" in plain(client.get(address))
        assert "Opening valves from afar: on" in client.get(f"/setup/sites/{made.job.site_id}").text


def test_a_site_that_nothing_else_uses_can_be_deleted_though_people_are_named_there(
    api: Serving, conn: Connection, administrator: str
) -> None:
    site = equipment.add_site(conn, "Empty Yard", "Europe/Berlin")
    mara = people.by_login(conn, LOGIN)
    with api.client(administrator) as client:
        address = f"/api/v1/sites/{site.id}"
        body = {"allowed": True, "openers": [mara.id]}
        assert client.put(f"{address}/opening", json=body).status_code == 200
        assert client.delete(address).status_code == 204


# Pages ------------------------------------------------------------------------------------------------


def test_a_valve_is_opened_by_plain_forms_with_every_check_in_words(client: httpx.Client, ready: Rig) -> None:
    address = f"/jobs/{ready.made.job.id}/valve/{ready.valve.id}/open"
    part = plain(client.get(f"/jobs/{ready.made.job.id}/valve"))
    assert f'action="{address}"' in part
    page = plain(client.get(address))
    for words in (
        "Never open an isolation valve to a stopped pump",
        "a hand at valve",
        "no compressor may be started",
        "a licensed technician come first",
        "the pump is known to run, for two minutes at least",
        "the circuit is not lower than the pump side",
    ):
        assert words in page, words
    assert "#pass" in page
    assert "override" not in page
    ticket = re.search(r'name="decided_on" value="([^"]+)"', page)
    assert ticket is not None
    assert submit(client, address).status_code == 409
    assert submit(client, address, decided_on=ticket[1], reason="Second pull").status_code == 303
    (made,) = client.get("/api/v1/orders").json()["items"]
    assert (made["action"], made["reason"]) == ("open", "Second pull")


def test_the_page_offers_no_button_while_something_hinders_that_nobody_may_override(
    client: httpx.Client, ready: Rig
) -> None:
    ready.tell(ready.pump, Quantity.PUMP, ready.scene.now_us + US, 0.0)
    page = plain(client.get(f"/jobs/{ready.made.job.id}/valve/{ready.valve.id}/open"))
    assert "It cannot be opened from here now." in page
    assert "The pump does not run" in page
    assert "#fail" in page
    assert "<button>Open the valve" not in page


def test_the_page_offers_the_override_that_there_is(
    client: httpx.Client, conn: Connection, ready: Rig
) -> None:
    conn.execute("DELETE FROM assignment WHERE instrument_id = %s", (ready.pump_side.id,))
    address = f"/jobs/{ready.made.job.id}/valve/{ready.valve.id}/open"
    page = plain(client.get(address))
    assert 'value="pump-side-unknown"' in page
    assert "I stand at the site" in page
    ticket = re.search(r'name="decided_on" value="([^"]+)"', page)
    assert ticket is not None
    fields = {"decided_on": ticket[1], "override": "pump-side-unknown", "on_site": "yes"}
    refused = submit(client, address, **fields)
    assert (refused.status_code, "Write down in one line" in refused.text) == (422, True)
    assert submit(client, address, override_reason="I see the pump pull", **fields).status_code == 303


def test_where_opening_is_off_the_job_page_does_not_offer_it(client: httpx.Client, scene: Scene) -> None:
    made = scene.job("Quay Cold Store", "Rack 9", NOON_US - MINUTE)
    assert made.valve is not None
    report(scene, made, Valve.CLOSED, NOON_US - US)
    presence(scene.conn, made, online=True)
    assert f"/valve/{made.valve.id}/open" not in client.get(f"/jobs/{made.job.id}/valve").text
    page = plain(client.get(f"/jobs/{made.job.id}/valve/{made.valve.id}/open"))
    assert "Opening from afar is off at this site" in page
