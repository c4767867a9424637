"""Hold plans over HTTP."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

import httpx
import pytest

from model.clock import US, to_us
from model.reading import Valve
from store import plans, procedures
from store.database import Connection
from tests.api.scene import MINUTE, Made, Scene
from tests.api.serving import TECHNICIAN, Serving
from tests.api.valves import presence, report


@pytest.fixture
def made(scene: Scene) -> Made:
    """A job whose valve stands open at a gateway in reach."""
    made = scene.job("Kestrel Cold Store", "Rack 1", scene.now_us - 60 * MINUTE)
    report(scene, made, Valve.OPEN, scene.now_us - US)
    presence(scene.conn, made, online=True)
    return made


def wish(made: Made, **more: object) -> dict[str, object]:
    return {"job_id": made.job.id, "not_before": "18:00", "report_at": "06:30", **more}


def make(client: httpx.Client, made: Made, **more: object) -> dict[str, Any]:
    answer = client.post("/api/v1/hold-plans", json=wish(made, **more))
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


def test_a_plan_is_made_read_changed_and_called_off(
    api: Serving, conn: Connection, scene: Scene, made: Made
) -> None:
    with api.client(TECHNICIAN) as client:
        plan = make(client, made)
        assert (plan["state"], plan["made_by"], plan["held_s"]) == ("waiting", "Tarik Brandt", 1800)
        begin, told = (datetime.fromisoformat(plan[key]) for key in ("not_before", "report_at"))
        assert scene.now_us < to_us(begin) < to_us(told)
        said = "Made by Tarik Brandt: when the target has been held for 30 min"
        assert plan["log"][0]["text"].startswith(said)
        address = f"/api/v1/hold-plans/{plan['id']}"
        assert client.get(address).json() == plan
        for query, found in (
            ({"job": made.job.id}, 1), ({"job": 999}, 0), ({"state": "waiting"}, 1), ({"state": "ended"}, 0),
        ):  # fmt: skip
            assert len(client.get("/api/v1/hold-plans", params=query).json()["items"]) == found
        changed = client.put(address, json={"held_s": 600, "report_at": "05:15"}).json()
        assert (changed["held_s"], changed["not_before"]) == (600, None)
        assert changed["log"][-1]["text"].startswith(
            "Changed by Tarik Brandt: the target held for 10 min instead of 30 min; not before any hour"
        )
        gone = client.post(f"{address}/call-off", json={}).json()
        assert (gone["state"], gone["log"][-1]["text"]) == ("called-off", "Called off by Tarik Brandt.")
        assert client.post(f"{address}/call-off", json={}).status_code == 409
        assert client.put(address, json={"report_at": "05:15"}).status_code == 409
        assert make(client, made)["id"] > plan["id"]
    acts = conn.execute("SELECT act FROM audit WHERE subject = %s ORDER BY id", (f"plan:{plan['id']}",))
    assert [row["act"] for row in acts] == ["make-plan", "change-plan", "call-off-plan"]


def test_a_dry_run_says_what_would_hinder_and_writes_nothing(client: httpx.Client, made: Made) -> None:
    found = client.post("/api/v1/hold-plans/dry-run", json=wish(made))
    assert found.status_code == 200, found.text
    assert "above-target" in found.json()["hindrances"]
    accepted = client.post(
        "/api/v1/hold-plans/dry-run",
        json=wish(made, accepted=["above-target"], accepted_reason="It is a trial."),
    )
    assert "above-target" not in accepted.json()["hindrances"]
    assert client.get("/api/v1/hold-plans").json()["items"] == []


@pytest.mark.parametrize(
    ("more", "status", "field"),
    [
        ({"report_at": "6.30"}, 422, "report_at"),
        ({"not_before": "25:00"}, 422, "not_before"),
        ({"held_s": 5}, 422, "held_s"),
        ({"held_s": "NaN"}, 422, "held_s"),
        ({"instrument_id": 999}, 422, "instrument_id"),
        ({"accepted": ["pump"], "accepted_reason": "I say so."}, 422, "accepted"),
        ({"accepted": ["gauge-unfit"], "accepted_reason": "I say so."}, 422, "accepted"),
        ({"accepted": ["battery"]}, 422, "accepted_reason"),
        ({"drying": {"rounds": 6}}, 422, "rounds"),
        ({"drying": {"pump_s": 5}}, 422, "pump_s"),
        ({"drying": {"probability": 0.5}}, 422, "probability"),
        ({"drying": {"for": "ever"}}, 422, "for"),
        ({"job_id": 999}, 404, None),
    ],
)
def test_what_cannot_be_used_is_said(
    client: httpx.Client, made: Made, more: dict[str, object], status: int, field: str | None
) -> None:
    answer = client.post("/api/v1/hold-plans", json=wish(made, **more))
    assert answer.status_code == status, answer.text
    assert field is None or answer.json()["errors"][0]["field"].endswith(field)


def test_its_texts_are_kept_as_data_and_read_in_the_readers_units_and_at_the_sites_time(
    api: Serving, conn: Connection, made: Made
) -> None:
    with api.client(TECHNICIAN) as client:
        plan = make(client, made)
        plans.note(conn, plan["id"], ["Verdict: it rose to 500 micron (66.7 Pa) by 2026-11-24T05:00:00Z."], 0)
        address = f"/api/v1/hold-plans/{plan['id']}"
        machine = client.get(address).json()
        assert machine["log"][-1]["text"].endswith("500 micron (66.7 Pa) by 2026-11-24T05:00:00Z.")
        assert "not before 20" in machine["log"][0]["text"]
        client.patch("/api/v1/me/preferences", json={"pressure_unit": "hPa", "locale": "de-DE"})
        page = client.get(f"/jobs/{made.job.id}/plan/{plan['id']}").text
        mine = client.get(address).json()["log"][-1]["text"]
        for text in (page, mine):
            assert "0,667\u202fhPa" in text.replace("\u00a0", "\u202f")
            assert "06:00" in text
            assert "05:00:00Z" not in text


def test_drying_is_off_and_each_choice_states_its_risk(
    client: httpx.Client, conn: Connection, made: Made
) -> None:
    assert make(client, made)["drying"] is None
    found = client.post("/api/v1/hold-plans/dry-run", json=wish(made, drying={})).json()
    leave, dry = found["on_fail"]
    assert (leave["id"], leave["chosen"], leave["hindrances"]) == ("leave-closed", False, {})
    assert (dry["id"], dry["chosen"]) == ("dry", True)
    assert "air and oil" in dry["risk"]
    assert {"opening-off", "not-named", "pump-side-unknown", "pump", "cold-spot"} <= dry["hindrances"].keys()
    assert "not-closed" not in dry["hindrances"]
    off = client.post("/api/v1/hold-plans/dry-run", json=wish(made)).json()
    assert [one["chosen"] for one in off["on_fail"]] == [True, False]


def test_who_confirms_the_exhaust_is_kept_with_the_time_and_the_refrigerant(
    api: Serving, conn: Connection, scene: Scene, made: Made
) -> None:
    circuit = conn.execute(
        "INSERT INTO circuit (site_id, name, refrigerant) SELECT site_id, 'C', 'R-32' FROM job WHERE id = %s "
        "RETURNING id",
        (made.job.id,),
    ).fetchone()
    assert circuit is not None
    conn.execute("UPDATE job SET circuit_id = %s WHERE id = %s", (circuit["id"], made.job.id))
    with api.client(TECHNICIAN) as client:
        chosen = {"rounds": 2, "pump_s": 3600, "probability": 0.8, "exhaust_confirmed": True}
        plan = make(client, made, drying=chosen)
        drying = plan["drying"]
        assert (drying["exhaust_confirmed_by"], drying["exhaust_confirmed_for"]) == ("Tarik Brandt", "R-32")
        assert "dry in at most 2 rounds of 60 min" in plan["log"][0]["text"]
        assert "ignition control confirmed by Tarik Brandt for R-32" in plan["log"][0]["text"]
        found = client.post("/api/v1/hold-plans/dry-run", json=wish(made, drying=chosen)).json()
        assert "exhaust" not in found["on_fail"][1]["hindrances"]
        address = f"/api/v1/hold-plans/{plan['id']}"
        same = client.put(address, json={"report_at": "05:15", "drying": chosen}).json()
        assert same["drying"] == drying
    with api.client() as other:
        more = other.put(address, json={"report_at": "05:15", "drying": {**chosen, "rounds": 5}})
        assert (more.status_code, "Only who made the plan" in more.json()["detail"]) == (403, True)
        assert other.put(address, json={"report_at": "05:15", "drying": chosen}).json()["drying"] == drying
        assert other.put(address, json={"report_at": "05:15"}).json()["drying"] is None


def test_a_valve_has_one_plan(client: httpx.Client, made: Made) -> None:
    make(client, made)
    answer = client.post("/api/v1/hold-plans", json=wish(made))
    assert (answer.status_code, "has a plan already" in answer.json()["detail"]) == (409, True)


def test_while_it_holds_only_the_report_can_be_changed(
    client: httpx.Client, conn: Connection, made: Made
) -> None:
    plan = make(client, made)
    conn.execute(
        "UPDATE hold_plan SET state = 'holding', progress = progress || "
        """'{"state": "holding", "closed_us": 1779999000000000, "reported": true}' WHERE id = %s""",
        (plan["id"],),
    )
    changed = client.put(
        f"/api/v1/hold-plans/{plan['id']}", json={"held_s": 600, "report_at": "05:15"}
    ).json()
    assert (changed["held_s"], changed["not_before"]) == (1800, plan["not_before"])
    assert changed["report_at"] != plan["report_at"]
    assert "the hold goes on since" in changed["text"]


def test_a_plan_is_made_on_a_page_and_called_off_there(api: Serving, made: Made) -> None:
    assert made.valve is not None
    with api.client(TECHNICIAN) as client:
        client.headers["Origin"] = api.address
        address = f"/jobs/{made.job.id}/valve/{made.valve.id}/plan"
        assert address in client.get(f"/jobs/{made.job.id}").text
        form = client.get(address).text
        for caution in ("lock out compressors", "no pressure test", "The target has not been held"):
            assert caution in form
        typed = {"held_min": "30", "not_before": "18:00", "report_at": "06:30"}
        wrong = client.post(address, data={**typed, "held_min": "a few"})
        assert (wrong.status_code, "Whole minutes" in wrong.text) == (422, True)
        wet = {**typed, "on_fail": "dry", "dry_rounds": "2", "dry_pump_min": "60", "dry_sure": "90"}
        few = client.post(address, data={**wet, "dry_sure": "5"})
        assert (few.status_code, "Whole percents, 70 to 99." in few.text) == (422, True)
        answer = client.post(address, data={**wet, "dry_confirmed": "yes"})
        assert answer.status_code == 303, answer.text
        page = client.get(answer.headers["location"]).text
        assert "Waiting to close" in page
        assert "confirmed by Tarik Brandt" in page
        assert "Made by Tarik Brandt: when the target has been held for 30 min" in page
        assert "is at work" in client.get(f"/jobs/{made.job.id}").text
        called = client.post(f"{answer.headers['location']}/call-off")
        assert "Called off by Tarik Brandt." in client.get(called.headers["location"]).text
        again = client.post(f"{answer.headers['location']}/call-off")
        assert (again.status_code, "is over already" in again.text) == (409, True)
        assert (
            client.get(f"/jobs/999/plan/{answer.headers['location'].rpartition('/')[2]}").status_code == 404
        )


def change(client: httpx.Client, plan: dict[str, Any], **more: object) -> dict[str, Any]:
    body = {"held_s": 1800, "not_before": "18:00", "report_at": "06:30", **more}
    answer = client.put(f"/api/v1/hold-plans/{plan['id']}", json=body)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def test_a_time_that_stays_is_not_reckoned_anew_and_what_stays_is_not_logged(
    api: Serving, client: httpx.Client, made: Made
) -> None:
    plan = make(client, made)
    api.clock.advance(24 * 3600)
    same = change(client, plan)
    assert (same["not_before"], len(same["log"])) == (plan["not_before"], 1)
    later = change(client, plan, report_at="07:00", not_before="18:00")
    assert later["not_before"] == plan["not_before"]
    assert "the report 20" in later["log"][-1]["text"]
    assert "not before" not in later["log"][-1]["text"]


def test_whom_it_tells_is_chosen_and_changed_by_name(
    client: httpx.Client, conn: Connection, made: Made
) -> None:
    plan = make(client, made)
    assert [one["name"] for one in plan["tell"]] == ["Mara Vogt"]
    tarik = conn.execute("SELECT id FROM person WHERE name = 'Tarik Brandt'").fetchone()
    assert tarik is not None
    changed = change(client, plan, tell=[tarik["id"]])
    assert [one["name"] for one in changed["tell"]] == ["Tarik Brandt"]
    assert changed["log"][-1]["text"] == "Changed by Mara Vogt: told is Tarik Brandt instead of Mara Vogt."
    assert change(client, plan, tell=[])["log"][-1]["text"].endswith(
        "told is nobody but Dispatch instead of Tarik Brandt."
    )
    wrong = client.put(f"/api/v1/hold-plans/{plan['id']}", json={"report_at": "06:30", "tell": [9999]})
    assert (wrong.status_code, wrong.json()["errors"][0]["field"]) == (422, "tell")


def test_another_procedure_holds_for_as_long_as_it_says_and_the_log_says_who_chose_it(
    client: httpx.Client, conn: Connection, made: Made
) -> None:
    plan = make(client, made)
    night = replace(procedures.default(conn), name="Night", hold_s=8 * 3600.0, origin="Our own.")
    number = procedures.add(conn, night).id
    changed = change(client, plan, procedure_id=number)
    assert changed["hold_s"] == 8 * 3600
    assert "the job's procedure is “Night” instead of" in changed["log"][-1]["text"]
    assert changed["log"][-1]["text"].endswith("the hold lasts 8 h.")
    row = conn.execute("SELECT procedure_id FROM job WHERE id = %s", (made.job.id,)).fetchone()
    assert row == {"procedure_id": number}
    assert len(change(client, plan, procedure_id=number)["log"]) == 2
    gone = client.put(
        f"/api/v1/hold-plans/{plan['id']}", json={"report_at": "06:30", "procedure_id": 9999, "held_s": 60}
    )
    assert gone.status_code == 404
    assert client.get(f"/api/v1/hold-plans/{plan['id']}").json()["held_s"] == 1800, "nothing is half done"


def test_a_plan_is_changed_on_its_page_as_far_as_that_means_something(
    api: Serving, conn: Connection, made: Made
) -> None:
    with api.client(TECHNICIAN) as client:
        client.headers["Origin"] = api.address
        plan = make(client, made, accepted=["battery"], accepted_reason="It is new.")
        address = f"/jobs/{made.job.id}/plan/{plan['id']}"
        page = client.get(address).text
        assert 'value="18:00"' in page
        assert 'name="held_min"' in page
        typed = {
            "held_min": "45", "not_before": "18:00", "report_at": "06:30", "accepted": "battery",
            "accepted_reason": "It is new.", "on_fail": "leave-closed", "dry_rounds": "2",
            "dry_pump_min": "120", "dry_sure": "90", "tell_asked": "yes",
        }  # fmt: skip
        wrong = client.post(f"{address}/change", data={**typed, "held_min": "a few"})
        assert (wrong.status_code, "Whole minutes" in wrong.text, "a few" in wrong.text) == (422, True, True)
        assert client.post(f"{address}/change", data=typed).status_code == 303
        page = client.get(address).text
        assert "the target held for 45 min instead of 30 min; told is nobody but Dispatch instead of" in page
        conn.execute(
            "UPDATE hold_plan SET state = 'holding', progress = progress || "
            """'{"state": "holding", "closed_us": 1779999000000000}' WHERE id = %s""",
            (plan["id"],),
        )
        page = client.get(address).text
        assert "The close is ordered already" in page
        assert 'name="held_min"' not in page
        later = {"report_at": "08:00", "on_fail": "leave-closed", "tell_asked": "yes"}
        assert client.post(f"{address}/change", data=later).status_code == 303
        seen = client.get(f"/api/v1/hold-plans/{plan['id']}").json()
        assert (seen["held_s"], seen["accepted"], seen["not_before"]) == (
            2700,
            ["battery"],
            plan["not_before"],
        )
        assert "the report 20" in seen["log"][-1]["text"]
