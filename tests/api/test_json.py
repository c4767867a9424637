"""The JSON API: errors, pages, units, and what may be registered."""

from __future__ import annotations

from datetime import datetime

import httpx
import pint
import pytest
from openapi_spec_validator import validate

from store import equipment
from store.database import Connection
from tests.api.scene import Made
from tests.api.serving import TECHNICIAN, Serving

PROBLEM = "application/problem+json"


def problem(answer: httpx.Response) -> dict[str, object]:
    """The problem details of an answer, with the members that RFC 9457, section 3.1 names."""
    assert answer.headers["content-type"] == PROBLEM
    body: dict[str, object] = answer.json()
    assert {"type", "title", "status", "detail", "instance"} <= body.keys()
    assert body["status"] == answer.status_code
    return body


def fields(answer: httpx.Response) -> list[str]:
    """Which fields the problem names."""
    errors = problem(answer)["errors"]
    assert isinstance(errors, list)
    return [error["field"] for error in errors]


@pytest.mark.parametrize(
    ("path", "field"),
    [
        ("/api/v1/jobs?limit=0", "limit"),
        ("/api/v1/jobs?limit=many", "limit"),
        ("/api/v1/jobs?cursor=nonsense!", "cursor"),
        ("/api/v1/jobs?cursor=L2FwaS92MS9zaXRlcyAx", "cursor"),
        ("/api/v1/jobs/1?pressure_unit=furlong", "pressure_unit"),
        ("/api/v1/readings", "instrument"),
        ("/api/v1/readings?instrument=1&quantity=mood", "quantity"),
        ("/api/v1/readings?instrument=1&since=2026-01-01T00:00:00", "since"),
        ("/api/v1/readings?instrument=1&since=2026-01-02T00:00:00Z&until=2026-01-01T00:00:00Z", "since"),
        ("/api/v1/alerts?state=furious", "state"),
    ],
)
def test_bad_input_names_its_field(client: httpx.Client, path: str, field: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 422
    assert fields(answer) == [field]


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/api/v1/jobs/999", 404),
        ("GET", "/api/v1/jobs/first", 404),
        ("GET", "/api/v1/hold-tests/999", 404),
        ("GET", "/api/v1/nothing", 404),
        ("GET", "/api/v1/readings?instrument=999", 404),
        ("POST", "/api/v1/alerts/999/acknowledge", 404),
        ("DELETE", "/api/v1/jobs", 405),
    ],
)
def test_what_is_not_there_is_a_problem_too(
    client: httpx.Client, method: str, path: str, status: int
) -> None:
    answer = client.request(method, path, json={} if method == "POST" else None)
    assert answer.status_code == status
    problem(answer)


def test_a_body_that_is_no_json_is_a_problem(client: httpx.Client) -> None:
    answer = client.post("/api/v1/crews", content=b"{", headers={"Content-Type": "application/json"})
    assert answer.status_code == 422
    problem(answer)


def test_a_name_in_use_conflicts(client: httpx.Client) -> None:
    assert client.post("/api/v1/crews", json={"name": "Crew East"}).status_code == 201
    assert client.post("/api/v1/crews", json={"name": "Crew East"}).status_code == 409


def test_what_is_missing_in_a_body_is_named(client: httpx.Client) -> None:
    answer = client.post("/api/v1/sites", json={"name": "Harbour"})
    assert fields(answer) == ["time_zone"]


def test_a_bad_procedure_is_refused_with_its_field(client: httpx.Client) -> None:
    new = {
        "name": "Mine",
        "target": {"value": 500, "unit": "micron"},
        "limit": {"value": 1000, "unit": "furlong"},
        "dwell_s": 60,
        "hold_s": 600,
        "settle_s": 60,
        "origin": "test",
    }
    assert fields(client.post("/api/v1/procedures", json=new)) == ["limit.unit"]
    new["limit"] = {"value": 1000, "unit": "micron"}
    new["settle_s"] = 700
    assert fields(client.post("/api/v1/procedures", json=new)) == ["settle_s"]
    new["settle_s"] = 60
    assert client.post("/api/v1/procedures", json=new).json()["version"] == 1
    # The same once more is a form sent twice.
    assert client.post("/api/v1/procedures", json=new).status_code == 409
    new["hold_s"] = 900
    assert client.post("/api/v1/procedures", json=new).json()["version"] == 2


def test_pages_give_everything_once_though_the_list_grows(client: httpx.Client, conn: Connection) -> None:
    names = [f"Crew {number}" for number in range(7)]
    for name in names:
        equipment.add_crew(conn, name)
    seen: list[str] = []
    address: str | None = "/api/v1/crews?limit=3"
    while address:
        answer = client.get(address)
        page = answer.json()
        seen += [item["name"] for item in page["items"]]
        if len(seen) == 3:
            equipment.add_crew(conn, "Crew late")
        link = answer.headers.get("link")
        assert (link is None) == (page["next"] is None)
        address = link.split(";")[0].strip("<>") if link else None
    assert seen == [*names, "Crew late"]


def test_newest_first_pages_miss_nothing_when_something_is_added(
    client: httpx.Client, jobs: dict[str, Made]
) -> None:
    first = client.get("/api/v1/jobs?limit=5").json()
    site = client.get("/api/v1/sites").json()["items"][0]["id"]
    client.post("/api/v1/jobs", json={"title": "Added", "site_id": site, "procedure_id": 1})
    rest = client.get("/api/v1/jobs", params={"limit": 5, "cursor": first["next"]}).json()
    numbers = [job["id"] for job in first["items"] + rest["items"]]
    assert numbers == sorted((made.job.id for made in jobs.values()), reverse=True)
    assert rest["next"] is None


@pytest.mark.parametrize("unit", ["Pa", "hPa", "kPa", "mbar", "torr", "mmHg", "psi"])
def test_pressures_come_in_the_unit_asked_for(client: httpx.Client, jobs: dict[str, Made], unit: str) -> None:
    # pint's own definitions are the outside check.
    made = jobs["leak"]
    held = client.get(f"/api/v1/hold-tests/{made.hold_id}").json()
    other = client.get(f"/api/v1/hold-tests/{made.hold_id}", params={"pressure_unit": unit}).json()
    expected = pint.UnitRegistry().Quantity(held["limit"]["value"], "Pa").to(unit).magnitude
    assert other["limit"]["unit"].lower() == unit.lower()
    assert other["limit"]["value"] == pytest.approx(expected, rel=1e-6)
    assert other["diagnosis"]["leak_pa_m3_per_s"] == held["diagnosis"]["leak_pa_m3_per_s"]


def test_times_carry_their_offset(client: httpx.Client, jobs: dict[str, Made]) -> None:
    job = client.get(f"/api/v1/jobs/{jobs['leak'].job.id}").json()
    times = [job["opened_at"], job["phases"][0]["started_at"], job["hold_tests"][0]["decided_at"]]
    assert all(datetime.fromisoformat(time).utcoffset() is not None for time in times)


def test_a_hold_test_comes_with_its_revisions(client: httpx.Client, jobs: dict[str, Made]) -> None:
    held = client.get(f"/api/v1/hold-tests/{jobs['leak'].hold_id}").json()
    assert held["verdict"] == "failed"
    assert [(r["revision"], r["because"], r["cause"]) for r in held["revisions"]] == [
        (1, "first verdict", "leak")
    ]
    failed = client.get("/api/v1/hold-tests?verdict=failed").json()["items"]
    assert [item["id"] for item in failed] == [held["id"]]


def test_a_procedure_says_the_smallest_leak_it_can_show(client: httpx.Client) -> None:
    # Worked example of the rule: 10 l, 500 to 2500 micron, 30 min with 2 min settling: 1.59e-3 Pa m³/s.
    listed = client.get("/api/v1/procedures?volume_m3=0.010").json()["items"]
    usual = next(item for item in listed if item["is_default"])
    assert usual["smallest_leak_pa_m3_per_s"] == pytest.approx(1.59e-3, rel=2e-3)
    assert client.get("/api/v1/procedures").json()["items"][0]["smallest_leak_pa_m3_per_s"] is None


def test_equipment_and_a_job_can_be_registered(client: httpx.Client, conn: Connection) -> None:
    site = client.post("/api/v1/sites", json={"name": "Harbour", "time_zone": "Europe/Lisbon"}).json()
    gateway = client.post("/api/v1/gateways", json={"name": "van-7", "site_id": site["id"]}).json()
    assert len(gateway["password"]) >= 24
    assert "password" not in client.get("/api/v1/gateways").text
    gauge = client.post(
        "/api/v1/instruments", json={"gateway_id": gateway["id"], "name": "g1", "role": "gauge"}
    ).json()
    job = client.post(
        "/api/v1/jobs",
        json={
            "title": "Rack A",
            "site_id": site["id"],
            "procedure_id": 1,
            "instruments": [{"instrument_id": gauge["id"], "deciding": True}],
        },
    )
    assert job.status_code == 201
    assert job.json()["instruments"][0]["name"] == "g1"
    again = client.post(
        "/api/v1/jobs",
        json={
            "title": "B",
            "site_id": site["id"],
            "procedure_id": 1,
            "instruments": [{"instrument_id": gauge["id"]}],
        },
    )
    assert again.status_code == 409
    left = conn.execute("SELECT count(*) AS n FROM job").fetchone()
    assert left == {"n": 1}, "the job of the refused request must not stay behind"


def test_a_job_may_take_in_readings_from_before_it_was_opened(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    gateway = client.get("/api/v1/gateways").json()["items"][0]["id"]
    gauge = client.post(
        "/api/v1/instruments", json={"gateway_id": gateway, "name": "gauge-early", "role": "gauge"}
    ).json()
    conn.execute(
        "INSERT INTO reading (instrument_id, quantity, time, value, arrived) "
        "VALUES (%s, 1, '2025-06-14 20:00+00', 50, now())",
        (gauge["id"],),
    )
    job = client.post(
        "/api/v1/jobs",
        json={
            "title": "Found on paper",
            "site_id": jobs["tight"].job.site_id,
            "procedure_id": jobs["tight"].job.procedure_id,
            "instruments": [
                {"instrument_id": gauge["id"], "deciding": True, "since": "2025-06-14T20:00:00+02:00"}
            ],
        },
    ).json()
    assert job["instruments"][0]["since"].startswith("2025-06-14T18:00:00")
    waiting = conn.execute("SELECT since FROM work WHERE instrument_id = %s", (gauge["id"],)).fetchall()
    assert [row["since"].isoformat() for row in waiting] == ["2025-06-14T18:00:00+00:00"]


def test_technicians_name_jobs_but_do_not_register_sites(api: Serving, jobs: dict[str, Made]) -> None:
    with api.client(TECHNICIAN) as technician:
        refused = technician.post("/api/v1/sites", json={"name": "Mine", "time_zone": "Europe/Berlin"})
        assert refused.status_code == 403
        problem(refused)
        number = jobs["walk-up"].job.id
        named = technician.patch(f"/api/v1/jobs/{number}", json={"title": "Ice machine"})
        assert named.json()["title"] == "Ice machine"
        assert technician.patch(f"/api/v1/jobs/{number}", json={"title": " "}).status_code == 422


def test_events_of_a_kind_that_only_a_newer_program_knows_are_passed_over(
    client: httpx.Client, conn: Connection, jobs: dict[str, Made]
) -> None:
    job = jobs["holding"].job
    for kind, text in (("hold-started", "A hold."), ("of-the-future", "?"), ("job-changed", "A change.")):
        conn.execute(
            "INSERT INTO event (kind, happened_at, recorded_at, site_id, job_id, subject, text) "
            "VALUES (%s, now(), now(), %s, %s, 'job', %s)",
            (kind, job.site_id, job.id, text),
        )
    first = client.get(f"/api/v1/jobs/{job.id}/events", params={"limit": 1}).json()
    assert [event["text"] for event in first["items"]] == ["A change."]
    rest = client.get(f"/api/v1/jobs/{job.id}/events", params={"cursor": first["next"]}).json()
    assert rest["items"][0]["text"] == "A hold."
    assert client.get(f"/jobs/{job.id}").status_code == 200


def test_quarantine_is_listed_with_what_was_only_counted(client: httpx.Client, conn: Connection) -> None:
    conn.execute(
        "INSERT INTO quarantine (arrived_at, topic, gateway, reason, message, raw, digest) "
        "VALUES (now(), 'hf/1/x/y/data', 'x', 'unknown-gateway', 'No such gateway.', '[]', 'd')"
    )
    conn.execute(
        "INSERT INTO quarantine_overflow (gateway, reason, messages, bytes) "
        "VALUES ('', 'too-big', 3, 200000), ('gw1', 'too-big', 2, 90), ('gw1', 'unit', 1, 10)"
    )
    page = client.get("/api/v1/quarantine").json()
    assert [(item["reason"], item["size"]) for item in page["items"]] == [("unknown-gateway", 2)]
    assert page["counted_only"] == {"too-big": 5, "unit": 1}
    assert client.get("/api/v1/quarantine?gateway=gw1").json()["counted_only"] == {"too-big": 2, "unit": 1}
    assert client.get("/api/v1/quarantine/shares").json() == [
        {"gateway": None, "refusals": 1, "bytes": 202, "waiting": 1, "only_counted": {"too-big": 3}},
        {
            "gateway": "gw1",
            "refusals": 0,
            "bytes": 0,
            "waiting": 0,
            "only_counted": {"too-big": 2, "unit": 1},
        },
    ]


def test_the_openapi_document_is_valid_and_complete(client: httpx.Client) -> None:
    document = client.get("/api/v1/openapi.json").json()
    validate(document)
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            where = f"{method} {path}"
            assert operation["tags"], where
            assert operation["description"], where
            if "application/json" in operation.get("requestBody", {}).get("content", {}):
                # A name that nobody knows is refused, not lost.
                body = operation["requestBody"]["content"]["application/json"]["schema"]
                kinds = [one["$ref"].split("/")[-1] for one in body.get("anyOf", [body]) if "$ref" in one]
                assert kinds, where
                for kind in kinds:
                    assert document["components"]["schemas"][kind]["additionalProperties"] is False, where
            codes = operation["responses"].keys()
            if path.startswith("/api/") and operation["x-right"] != "anybody":
                assert operation["security"], where
                assert {"401", "503"} <= codes, where
            for code in codes - {"200", "201", "204"}:
                assert PROBLEM in operation["responses"][code]["content"], (where, code)
    assert "text/event-stream" in document["paths"]["/api/v1/events"]["get"]["responses"]["200"]["content"]
