"""Orders over HTTP and on the job page."""

from __future__ import annotations

import re
import threading
from typing import Any

import httpx
import pytest

from model.clock import US, to_datetime
from model.order import OrderResult
from model.reading import Valve
from store import orders
from store.database import Connection
from tests.api.scene import MINUTE, Made, Scene
from tests.api.serving import TECHNICIAN, Serving
from tests.api.valves import presence, report, settle


@pytest.fixture
def made(scene: Scene) -> Made:
    """A job whose valve stands open at a gateway in reach."""
    made = scene.job("Kestrel Cold Store", "Rack 1", scene.now_us - 60 * MINUTE)
    assert made.valve is not None
    report(scene, made, Valve.OPEN, scene.now_us - 5 * MINUTE)
    presence(scene.conn, made, online=True)
    return made


def wish(made: Made, **more: object) -> dict[str, object]:
    assert made.valve is not None
    return {"instrument_id": made.valve.id, "action": "close", **more}


def ask(client: httpx.Client, made: Made, **more: object) -> dict[str, Any]:
    answer = client.post("/api/v1/orders", json=wish(made, **more))
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


def test_an_order_is_asked_for_and_found_again(api: Serving, conn: Connection, made: Made) -> None:
    with api.client(TECHNICIAN) as client:
        order = ask(client, made, reason="Target held for 30 min", ttl_s=60)
        assert order["state"] == "asked"
        assert order["asked_by"] == "Tarik Brandt"
        assert order["job_id"] == made.job.id
        assert order["reported"]["position"] == "open"
        assert order["outcome"] is order["confirmed"] is order["sent_at"] is None
        assert client.get(f"/api/v1/orders/{order['id']}").json() == order
        for query, found in (
            ({"job": made.job.id}, 1), ({"job": 999}, 0), ({"state": "asked"}, 1), ({"state": "sent"}, 0),
            ({"instrument": order["instrument_id"]}, 1),
        ):  # fmt: skip
            assert len(client.get("/api/v1/orders", params=query).json()["items"]) == found
        (event,) = client.get(f"/api/v1/jobs/{made.job.id}/events").json()["items"]
    assert event["kind"] == "order-asked"
    assert event["text"] == "Order to close valve v1 asked for by Tarik Brandt: Target held for 30 min."
    row = conn.execute(
        "SELECT p.login, a.act, a.data FROM audit a JOIN person p ON p.id = a.person_id "
        "WHERE a.subject = %s", (f"order:{order['id']}",),
    ).fetchall()  # fmt: skip
    assert [(each["login"], each["act"], each["data"]["reason"]) for each in row] == [
        (TECHNICIAN, "order-close", "Target held for 30 min")
    ]


def test_opening_is_refused_in_a_sentence(client: httpx.Client, made: Made) -> None:
    answer = client.post("/api/v1/orders", json=wish(made, action="open"))
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert "says what it was decided on" in answer.json()["detail"]
    assert answer.json()["errors"][0]["field"] == "decided_on"
    assert made.valve is not None
    found = client.get(f"/api/v1/valves/{made.valve.id}/hindrances").json()
    answer = client.post("/api/v1/orders", json=wish(made, action="open", decided_on=found["decided_on"]))
    assert answer.status_code == 409
    assert "Opening from afar is off at this site." in answer.json()["detail"]
    assert answer.json()["hindrances"].keys() == {one["id"] for one in found["open"]}
    assert "opening-off" in answer.json()["hindrances"]
    assert client.get("/api/v1/orders").json()["items"] == []


@pytest.mark.parametrize(
    ("more", "status"),
    [
        ({"instrument_id": 999}, 404),
        ({"action": "shake"}, 422),
        ({"ttl_s": 1}, 422),
        ({"ttl_s": "NaN"}, 422),
        ({"reason": "a\0b"}, 422),
        ({"reason": "x" * 501}, 422),
    ],
)
def test_what_cannot_be_used_is_said(
    client: httpx.Client, made: Made, more: dict[str, object], status: int
) -> None:
    answer = client.post("/api/v1/orders", json=wish(made, **more))
    assert (answer.status_code, answer.json()["status"]) == (status, status), answer.text


def test_a_gauge_cannot_be_closed(client: httpx.Client, made: Made) -> None:
    answer = client.post("/api/v1/orders", json=wish(made, instrument_id=made.gauge.id))
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (422, "instrument_id")


def test_a_second_order_is_refused_while_one_is_open(
    client: httpx.Client, conn: Connection, scene: Scene, made: Made
) -> None:
    first = ask(client, made)
    answer = client.post("/api/v1/orders", json=wish(made))
    assert answer.status_code == 409
    assert f"Order {first['id']} for this valve is still open" in answer.json()["detail"]
    settle(conn, first["id"], OrderResult.FAILED, scene.now_us, "did not move")
    assert ask(client, made)["id"] > first["id"]


def test_an_order_past_its_time_keeps_nobody_from_closing_while_the_desk_stands_still(
    api: Serving, client: httpx.Client, conn: Connection, made: Made
) -> None:
    first = ask(client, made, ttl_s=60)
    api.clock.advance(59)
    assert client.post("/api/v1/orders", json=wish(made)).status_code == 409
    api.clock.advance(1)
    page = plain(client.get(f"/jobs/{made.job.id}"))
    assert "is still open" not in page
    second = ask(client, made)
    assert client.get(f"/api/v1/orders/{first['id']}").json()["state"] == "expired"
    told = client.get(f"/api/v1/jobs/{made.job.id}/events").json()["items"]
    assert [event["kind"] for event in told] == ["order-asked", "order-expired", "order-asked"]
    # Only the second one's timer is left.
    subjects = conn.execute("SELECT subject FROM timer WHERE kind = 'order-expiry'").fetchall()
    assert subjects == [{"subject": str(second["id"])}]


def test_of_many_who_ask_at_once_one_is_given_the_order(api: Serving, conn: Connection, made: Made) -> None:
    statuses: list[int] = []
    together = threading.Barrier(6)

    def one() -> None:
        with api.client() as client:
            together.wait(20)
            statuses.append(client.post("/api/v1/orders", json=wish(made)).status_code)

    threads = [threading.Thread(target=one) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert sorted(statuses) == [201, 409, 409, 409, 409, 409]
    assert conn.execute("SELECT count(*) AS n FROM valve_order").fetchone() == {"n": 1}


def test_a_gateway_out_of_reach_is_not_asked(client: httpx.Client, conn: Connection, made: Made) -> None:
    presence(conn, made, online=False)
    answer = client.post("/api/v1/orders", json=wish(made))
    assert answer.status_code == 409
    assert "out of reach since" in answer.json()["detail"]
    conn.execute("DELETE FROM gateway_presence")
    answer = client.post("/api/v1/orders", json=wish(made))
    assert (answer.status_code, "never reported itself" in answer.json()["detail"]) == (409, True)


def test_a_valve_that_reports_closed_is_not_closed_again(
    client: httpx.Client, scene: Scene, made: Made
) -> None:
    report(scene, made, Valve.CLOSED, scene.now_us - 10 * US)
    answer = client.post("/api/v1/orders", json=wish(made))
    assert (answer.status_code, "reports closed already" in answer.json()["detail"]) == (409, True)


def test_the_gateway_s_word_and_the_valve_s_report_are_kept_apart(
    client: httpx.Client, conn: Connection, scene: Scene, made: Made
) -> None:
    order = ask(client, made)
    address = f"/api/v1/orders/{order['id']}"
    settle(conn, order["id"], OrderResult.DONE, scene.now_us + 10 * US)
    told = client.get(address).json()
    assert (told["state"], told["confirmed"], told["reported"]["position"]) == ("done", None, "open")
    assert told["text"].endswith("done, says the gateway. The valve has not reported since.")
    report(scene, made, Valve.OPEN, scene.now_us + 20 * US)
    told = client.get(address).json()
    assert (told["state"], told["confirmed"]) == ("done", False)
    assert told["text"].endswith("done, says the gateway. The valve reported open.")
    report(scene, made, Valve.CLOSED, scene.now_us + 30 * US)
    told = client.get(address).json()
    assert (told["confirmed"], told["reported"]["position"]) == (True, "closed")
    assert told["reported"]["since"] == told["reported"]["at"]
    # Opened by hand afterwards: the order was carried out all the same.
    report(scene, made, Valve.OPEN, scene.now_us + 900 * US)
    told = client.get(address).json()
    assert (told["confirmed"], told["reported"]["position"]) == (True, "open")
    assert told["text"].endswith("done, says the gateway. The valve reported closed.")


@pytest.mark.parametrize(
    ("after_act_s", "after_asking_s", "confirmed"),
    [
        pytest.param(0, 11, True, id="at the act"),
        pytest.param(-1, 11, None, id="before the act"),
        pytest.param(60, -1, None, id="here before the order: the gateway's clock runs behind"),
    ],
)
def test_only_what_the_valve_reports_from_the_act_on_answers_an_order(
    client: httpx.Client,
    conn: Connection,
    scene: Scene,
    made: Made,
    after_act_s: int,
    after_asking_s: int,
    confirmed: bool | None,
) -> None:
    assert made.valve is not None
    order = ask(client, made)
    act_us = scene.now_us - 3600 * US
    settle(conn, order["id"], OrderResult.DONE, act_us)
    at_us = act_us + after_act_s * US
    report(scene, made, Valve.CLOSED, at_us)
    conn.execute(
        "UPDATE reading SET arrived = %s WHERE instrument_id = %s AND time = %s",
        (to_datetime(scene.now_us + after_asking_s * US), made.valve.id, to_datetime(at_us)),
    )
    assert client.get(f"/api/v1/orders/{order['id']}").json()["confirmed"] is confirmed


def test_an_order_is_not_confirmed_by_what_a_later_one_brought_about(
    client: httpx.Client, conn: Connection, scene: Scene, made: Made
) -> None:
    assert made.valve is not None
    first = ask(client, made)
    act_us = scene.now_us - 300 * US
    settle(conn, first["id"], OrderResult.DONE, act_us)
    report(scene, made, Valve.OPEN, act_us + 20 * US)
    report(scene, made, Valve.CLOSED, act_us + 200 * US)
    # The first was asked for before both reports came, the second between them.
    first_us, second_us = act_us - 10 * US, act_us + 100 * US
    conn.execute("UPDATE valve_order SET asked_at = %s WHERE id = %s", (to_datetime(first_us), first["id"]))
    assert client.get(f"/api/v1/orders/{first['id']}").json()["confirmed"] is True
    conn.execute(
        "INSERT INTO valve_order (token, instrument_id, action, state, reason, asked_at, session, ttl_s, "
        "expires_at, send_at) SELECT gen_random_uuid()::text, instrument_id, action, 'expired', '', %s, "
        "session, ttl_s, expires_at, send_at FROM valve_order WHERE id = %s",
        (to_datetime(second_us), first["id"]),
    )
    assert client.get(f"/api/v1/orders/{first['id']}").json()["confirmed"] is False


def test_a_valve_closed_by_hand_long_after_does_not_confirm_an_order(
    client: httpx.Client, conn: Connection, scene: Scene, made: Made
) -> None:
    order = ask(client, made)
    settle(conn, order["id"], OrderResult.DONE, scene.now_us)
    report(scene, made, Valve.OPEN, scene.now_us + 20 * US)
    report(scene, made, Valve.CLOSED, scene.now_us + 3600 * US)
    told = client.get(f"/api/v1/orders/{order['id']}").json()
    assert (told["confirmed"], told["reported"]["position"]) == (False, "closed")


def test_since_when_a_valve_stands_is_its_first_report_after_another_one(
    conn: Connection, scene: Scene, made: Made
) -> None:
    assert made.valve is not None
    for minutes, position in ((50, Valve.CLOSED), (40, Valve.OPEN), (3, Valve.OPEN), (1, Valve.OPEN)):
        report(scene, made, position, scene.now_us - minutes * MINUTE)
    found = orders.report(conn, made.valve.id)
    assert found is not None
    assert (found.since_us, found.at_us) == (scene.now_us - 40 * MINUTE, scene.now_us - MINUTE)


# Pages ----------------------------------------------------------------------------------------------


def submit(client: httpx.Client, address: str, **fields: str) -> httpx.Response:
    """Send the form as a browser does."""
    origin = {"Origin": str(client.base_url).rstrip("/")}
    return client.post(address, data=fields, headers=origin, follow_redirects=False)


def decided_on(client: httpx.Client, address: str) -> str:
    """What the page says it was decided on."""
    found = re.search(r'name="decided_on" value="([^"]+)"', client.get(address).text)
    assert found is not None
    return found[1]


def plain(page: httpx.Response) -> str:
    return page.text.replace("\u202f", " ").replace("\u00a0", " ")


def test_a_valve_is_closed_by_plain_forms(client: httpx.Client, scene: Scene, made: Made) -> None:
    assert made.valve is not None
    page = plain(client.get(f"/jobs/{made.job.id}"))
    address = f"/jobs/{made.job.id}/valve/{made.valve.id}/close"
    assert f'action="{address}"' in page
    confirming = plain(client.get(address))
    for caution in (
        "The pump goes on running against the closed valve",
        "Nobody can open the valve again from here",
        "never to a pump that stands",
        "no pressure test",
        "local codes and a licensed technician",
        "no compressor may be started",
    ):
        assert caution in confirming, caution
    assert submit(client, address, reason="Held since five").status_code == 409
    ticket = decided_on(client, address)
    answer = submit(client, address, reason="Held since five", decided_on=ticket)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/jobs/{made.job.id}#valve")
    part = plain(client.get(f"/jobs/{made.job.id}/valve"))
    assert "Asked for" in part
    assert "Held since five" in part
    assert "is still open" in part
    assert f'action="{address}"' not in part


def test_what_was_typed_comes_back_with_the_sentence(client: httpx.Client, made: Made) -> None:
    assert made.valve is not None
    address = f"/jobs/{made.job.id}/valve/{made.valve.id}/close"
    answer = submit(client, address, reason="y" * 501, decided_on=decided_on(client, address))
    assert answer.status_code == 422
    assert "y" * 501 in answer.text
    assert "at most 500 characters" in answer.text


def test_a_page_that_is_out_of_date_does_nothing_and_says_why(client: httpx.Client, made: Made) -> None:
    assert made.valve is not None
    address = f"/jobs/{made.job.id}/valve/{made.valve.id}/close"
    ticket = decided_on(client, address)
    first = ask(client, made)
    answer = submit(client, address, decided_on=ticket)
    assert answer.status_code == 409
    assert "Something has changed since this page was made" in answer.text
    assert f"Order {first['id']} for this valve is still open" in answer.text
    assert len(client.get("/api/v1/orders").json()["items"]) == 1


def test_a_page_that_was_looked_at_for_too_long_does_nothing(
    api: Serving, client: httpx.Client, made: Made
) -> None:
    assert made.valve is not None
    address = f"/jobs/{made.job.id}/valve/{made.valve.id}/close"
    ticket = decided_on(client, address)
    api.clock.advance(121)
    answer = submit(client, address, decided_on=ticket)
    assert answer.status_code == 409
    assert "This page is older than 120 seconds" in answer.text
    assert client.get("/api/v1/orders").json()["items"] == []
    assert submit(client, address, decided_on=decided_on(client, address)).status_code == 303


def test_a_valve_of_another_job_is_not_found(client: httpx.Client, scene: Scene, made: Made) -> None:
    other = scene.job("Other Hall", "Rack 2", scene.now_us - 60 * MINUTE)
    assert other.valve is not None
    address = f"/jobs/{made.job.id}/valve/{other.valve.id}/close"
    assert client.get(address).status_code == 404
    assert submit(client, address).status_code == 404
    assert client.get("/api/v1/orders").json()["items"] == []


def test_a_contradiction_is_shown_in_words_and_shape(
    client: httpx.Client, conn: Connection, scene: Scene, made: Made
) -> None:
    order = ask(client, made)
    settle(conn, order["id"], OrderResult.DONE, scene.now_us)
    report(scene, made, Valve.OPEN, scene.now_us + 20 * US)
    part = plain(client.get(f"/jobs/{made.job.id}/valve"))
    assert "Done, says the gateway; not the valve" in part
    assert "#unsure" in part
    assert "The valve reported open." in part
