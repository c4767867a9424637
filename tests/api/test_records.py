"""Records of jobs over HTTP: made, given out, checked by everybody."""

from __future__ import annotations

import hashlib
import json
import struct
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import httpx
import jsonschema
import pytest
import typst

from api.config import ApiConfig
from api.records import content, making, packing, sheet, signing, typeset
from api.records.content import laxer
from api.records.signing import Signer
from api.routes.records import schema
from model.clock import US, HandClock, to_datetime
from model.judgement import Phase, PhaseKind
from model.procedure import Procedure
from store import calibrations, company, job_changes, procedures, records
from store.acting import Actor
from store.audit import By
from store.company import Company
from store.database import Connection
from tests.api.scene import HOUR, Made, Scene
from tests.api.serving import NOON_US, TECHNICIAN, Serving, add_people, serving

KEY = "nWGxne/9WmC6hEr0kuwsxERJxXK7MmkZcDusAxyuf2A="
"""Secret key of TEST 1 of RFC 8032, section 7.1."""
BY = By(to_datetime(NOON_US))


@pytest.fixture
def api(database: str) -> Iterator[Serving]:
    """Here with a key to sign with."""
    add_people(database)
    with serving(ApiConfig(database, port=0, record_key=KEY), HandClock(NOON_US)) as running:
        yield running


@pytest.fixture
def client(api: Serving) -> Iterator[httpx.Client]:
    """Somebody at our own pages."""
    with api.client() as client:
        client.headers["origin"] = api.address
        yield client


def made(client: httpx.Client, of: Made) -> dict[str, Any]:
    answer = client.post(f"/api/v1/jobs/{of.job.id}/records")
    assert answer.status_code == 201, answer.text
    found: dict[str, Any] = answer.json()
    return found


def file_of(client: httpx.Client, record: dict[str, Any]) -> dict[str, Any]:
    answer = client.get(f"/api/v1/records/{record['id']}/file")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def told(conn: Connection, of: Made) -> dict[str, Any]:
    return content.gather(conn, of.job.id, 1, "Mara Vogt", to_datetime(NOON_US))[0]


# The file -----------------------------------------------------------------------------------------------


def test_every_job_of_the_evening_makes_a_file_by_the_schema(
    client: httpx.Client, jobs: dict[str, Made]
) -> None:
    checker = jsonschema.Draft202012Validator(schema(), format_checker=jsonschema.FormatChecker())
    jsonschema.Draft202012Validator.check_schema(schema())
    for name, job in jobs.items():
        if name == "planned":
            continue
        found = file_of(client, made(client, job))
        assert [error.message for error in checker.iter_errors(found)] == [], name
        assert signing.check(json.dumps(found).encode()).unaltered, name


def test_it_holds_every_reading_that_served_the_job(
    client: httpx.Client, conn: Connection, jobs: dict[str, Made]
) -> None:
    job = jobs["tight"]
    found = file_of(client, made(client, job))
    rows = conn.execute(
        "SELECT (extract(epoch FROM time) * 1000000)::bigint AS at, value FROM reading "
        "WHERE instrument_id = %s AND quantity = 1 ORDER BY time, value",
        (job.gauge.id,),
    ).fetchall()
    channel = next(one for one in found["readings"] if one["channel"].endswith("/g1 pressure"))
    assert channel["times_us"] == [row["at"] for row in rows]
    assert channel["values"] == [row["value"] for row in rows]
    packed = b"".join(struct.pack(">qd", row["at"], row["value"]) for row in rows)
    hashed = next(one for one in found["record"]["readings"] if one["channel"] == channel["channel"])
    assert hashed["sha256"] == hashlib.sha256(packed).hexdigest()
    assert len(rows) > 100


def test_a_record_stays_what_it_was_whatever_comes_later(
    client: httpx.Client, conn: Connection, scene: Scene, jobs: dict[str, Made]
) -> None:
    job = jobs["leak"]
    first = made(client, job)
    before = file_of(client, first)
    scene.readings(job, [(NOON_US - 2 * HOUR + 17, 400.0)])
    conn.execute("UPDATE job SET title = 'Another title' WHERE id = %s", (job.job.id,))
    assert file_of(client, first) == before
    second = made(client, job)
    after = file_of(client, second)
    assert after["record"]["job"]["title"] == "Another title"
    assert len(after["readings"][0]["values"]) == len(before["readings"][0]["values"]) + 1
    listed = client.get("/api/v1/records", params={"job": job.job.id}).json()["items"]
    assert [(one["number"], one["latest"]) for one in listed] == [(2, True), (1, False)]


def test_readings_of_the_next_job_are_not_in_it(
    client: httpx.Client, conn: Connection, jobs: dict[str, Made]
) -> None:
    job = jobs["tight"]
    until_us = NOON_US - 3 * HOUR
    conn.execute("UPDATE assignment SET until = %s WHERE job_id = %s", (to_datetime(until_us), job.job.id))
    found = file_of(client, made(client, job))
    assert max(one["times_us"][-1] for one in found["readings"]) < until_us
    assert {one["until"] for one in found["record"]["instruments"]} == {content.iso(to_datetime(until_us))}


def test_a_job_without_readings_gets_one_sentence(client: httpx.Client, jobs: dict[str, Made]) -> None:
    answer = client.post(f"/api/v1/jobs/{jobs['planned'].job.id}/records")
    assert (answer.status_code, answer.json()["detail"]) == (409, "This job has no readings.")
    assert client.post("/api/v1/jobs/999999/records").status_code == 404


def test_a_job_that_is_being_judged_anew_waits(
    client: httpx.Client, conn: Connection, jobs: dict[str, Made]
) -> None:
    conn.execute(
        "INSERT INTO track (job_id, settings, head_at, goal_at, state_at, state, written_at, epoch, seen, "
        "because) "
        "VALUES (%s, '', now(), now(), now(), '', now(), 1, 'again', '') "
        "ON CONFLICT (job_id) DO UPDATE SET seen = 'again'",
        (jobs["leak"].job.id,),
    )
    answer = client.post(f"/api/v1/jobs/{jobs['leak'].job.id}/records")
    assert answer.status_code == 409
    assert "being judged anew" in answer.json()["detail"]


def test_who_may_not_change_jobs_makes_none(
    api: Serving, client: httpx.Client, jobs: dict[str, Made]
) -> None:
    with api.client(None) as nobody:
        assert nobody.post(f"/api/v1/jobs/{jobs['leak'].job.id}/records").status_code == 401
        record = made(client, jobs["leak"])
        for what in ("", "/file", "/page"):
            assert nobody.get(f"/api/v1/records/{record['id']}{what}").status_code == 401
    with api.client(TECHNICIAN) as technician:
        technician.headers["origin"] = api.address
        assert made(technician, jobs["wet"])["made_by"] == "Tarik Brandt"


def test_without_a_key_there_is_one_sentence(database: str) -> None:
    add_people(database)
    with serving(ApiConfig(database, port=0), HandClock(NOON_US)) as running:
        with running.database() as conn:
            job = Scene(conn, NOON_US).job("Nordhang", "Rack A", NOON_US - HOUR)
        with running.client() as client:
            answer = client.post(f"/api/v1/jobs/{job.job.id}/records", headers={"origin": running.address})
            assert answer.status_code == 409
            assert "HOLDFAST_RECORD_KEY" in answer.json()["detail"]


# Checking ------------------------------------------------------------------------------------------------


def test_everybody_can_check_a_file_and_one_altered_reading_is_caught(
    api: Serving, client: httpx.Client, jobs: dict[str, Made]
) -> None:
    found = file_of(client, made(client, jobs["leak"]))
    with api.client(None) as anybody:
        good = anybody.post("/api/v1/records/verify", content=json.dumps(found)).json()
        assert (good["unaltered"], good["signed_here"], good["known_here"], good["latest"]) == (True,) * 4
        found["readings"][0]["values"][100] *= 0.9
        bad = anybody.post("/api/v1/records/verify", content=json.dumps(found)).json()
        assert not bad["unaltered"]
        assert [one["good"] for one in bad["findings"]].count(False) == 1
        shown = anybody.post("/verify", files={"file": ("r.json", json.dumps(found), "application/json")})
        assert "This file was altered" in shown.text
        keys = anybody.get("/api/v1/records/keys").json()
        assert [one["key_id"] for one in keys] == [found["signature"]["key_id"]]
        assert anybody.get("/api/v1/records/schema").json() == schema()


def test_a_file_of_another_house_is_said_to_be_one(
    api: Serving, conn: Connection, client: httpx.Client, jobs: dict[str, Made]
) -> None:
    found = file_of(client, made(client, jobs["leak"]))["record"]
    stranger = Signer(bytes(32))
    raw = signing.file_of(found | {"readings": []}, stranger.public, b"", [])
    forged = json.loads(raw)
    body = signing.canonical(forged["record"])
    raw = signing.file_of(forged["record"], stranger.public, stranger.sign(body), [])
    with api.client(None) as anybody:
        answer = anybody.post("/api/v1/records/verify", content=raw).json()
        assert (answer["unaltered"], answer["signed_here"], answer["known_here"]) == (True, False, False)
        shown = anybody.post("/verify", files={"file": ("r.json", raw, "application/json")}).text
        assert "not by a key of this house" in shown


def test_a_digest_tells_everybody_what_the_paper_must_say(
    api: Serving, client: httpx.Client, jobs: dict[str, Made]
) -> None:
    first = made(client, jobs["leak"])
    with api.client(None) as anybody:
        page = anybody.get("/verify", params={"digest": first["digest"]}).text
        assert "Failed (hold test)" in page
        assert "A later record" not in page
        made(client, jobs["leak"])
        assert "A later record" in anybody.get("/verify", params={"digest": first["digest"]}).text
        assert "No record with this digest" in anybody.get("/verify", params={"digest": "0" * 64}).text
        assert "64 figures" in anybody.get("/verify", params={"digest": "<script>"}).text


def test_what_is_no_record_gets_one_sentence(api: Serving) -> None:
    with api.client(None) as anybody:
        answer = anybody.post("/api/v1/records/verify", content=b"%PDF-1.7")
        assert answer.status_code == 422
        assert answer.json()["detail"].startswith("This is no record")
        assert "Choose the file" in anybody.post("/verify", files={"file": ("r.json", b"")}).text


# What it says ---------------------------------------------------------------------------------------------


def test_gaps_are_stated_plainly(conn: Connection, scene: Scene) -> None:
    job = scene.job("Nordhang", "Rack A", NOON_US - 4 * HOUR)
    curve = [(NOON_US - 4 * HOUR + at * 10 * US, 60.0) for at in range(1080) if not 300 <= at < 420]
    scene.readings(job, curve)
    scene.phases(job, Phase(PhaseKind.PULL_DOWN, NOON_US - 4 * HOUR, NOON_US - HOUR // 2))
    found = told(conn, job)["interruptions"]
    # 1,200 s are missing, and the readings end half an hour before the pull-down does.
    assert [one["lasted_s"] for one in found] == [1210.0, 1810.0]
    assert found[0]["since"] == content.iso(to_datetime(NOON_US - 4 * HOUR + 2990 * US))


def test_a_calibration_stands_in_it_and_an_overdue_one_says_so(
    client: httpx.Client, conn: Connection, jobs: dict[str, Made]
) -> None:
    job = jobs["leak"]
    day = to_datetime(NOON_US).date()
    address = f"/api/v1/instruments/{job.gauge.id}/calibrations"
    past = {"calibrated_on": str(day - timedelta(days=400)), "due_on": str(day - timedelta(days=35))}
    assert client.post(address, json={**past, "certificate": "K 4711"}).status_code == 201
    calibration = told(conn, job)["instruments"][0]["calibration"]
    assert (calibration["certificate"], calibration["overdue"]) == ("K 4711", True)
    assert client.post(address, json={**past, "certificate": "K 4711"}).status_code == 409
    ahead = client.post(address, json={"calibrated_on": str(day + timedelta(days=1))})
    assert (ahead.status_code, ahead.json()["errors"][0]["field"]) == (422, "calibrated_on")
    before = client.post(address, json={**past, "due_on": past["calibrated_on"]})
    assert before.json()["errors"][0]["field"] == "due_on"
    # After the job: it says nothing of the readings then.
    calibrations.add(conn, job.gauge.id, day, None, "K 4712", BY)
    conn.execute("UPDATE assignment SET since = since - interval '2 days' WHERE job_id = %s", (job.job.id,))
    assert told(conn, job)["instruments"][0]["calibration"]["certificate"] == "K 4711"


USUAL = Procedure("Usual", 66.0, 60, 1800, 120, 333.0, None, "test", id=1)


@pytest.mark.parametrize(
    ("used", "expected"),
    [
        (Procedure("Longer", 66.0, 60, 3600, 120, 333.0, None, "test"), []),
        (Procedure("Short", 66.0, 60, 900, 120, 333.0, None, "test"), ["the length of the hold"]),
        (Procedure("Lenient", 66.0, 60, 1800, 120, 400.0, None, "test"), ["the permitted pressure"]),
        (Procedure("Rise", 66.0, 60, 1800, 120, None, 20.0, "test"), ["the permitted pressure"]),
        (
            Procedure("All", 90.0, 30, 1800, 120, 333.0, None, "test", 120.0),
            [
                "the target",
                "how long the target must be held",
                "how long the pressure must be over the limit",
            ],
        ),
    ],
)
def test_in_what_a_procedure_is_laxer(used: Procedure, expected: list[str]) -> None:
    assert laxer(USUAL, used) == expected


def test_a_laxer_procedure_than_the_one_asked_for_is_named(
    conn: Connection, scene: Scene, jobs: dict[str, Made]
) -> None:
    job = jobs["leak"]
    assert told(conn, job)["procedure_first_asked_for"] is None
    asked = procedures.by_id(conn, job.job.procedure_id)
    lenient = procedures.add(
        conn, Procedure("Lenient", asked.target_pa, asked.dwell_s, 600, 120, 5000.0, None, "A test.")
    )
    with conn.transaction():
        wanted = job_changes.details(job.job)
        changed = replace(wanted, procedure_id=lenient.id)
        job_changes.change(conn, job.job.id, changed, Actor("Mara Vogt", NOON_US))
    conn.execute("DELETE FROM track WHERE job_id = %s", (job.job.id,))
    found = told(conn, job)
    assert found["procedure"]["name"] == "Lenient"
    assert found["procedure_first_asked_for"]["name"] == asked.name
    assert "the length of the hold" in found["procedure_first_asked_for"]["laxer_now"]
    shown = shown_of(found)
    assert "laxer in: the length of the hold" in shown["procedure"]["changed"]


# On paper -------------------------------------------------------------------------------------------------


def shown_of(record: dict[str, Any], kept: Company | None = None, paper: str = "a4") -> dict[str, Any]:
    figures = making.figures_for(kept or Company(), to_datetime(NOON_US))
    return sheet.display(record, [], figures, digest="0" * 64, key_id="0-0", address="sha256:0", paper=paper)


def test_pages_are_one_or_two_with_fonts_embedded_on_both_papers(
    client: httpx.Client, conn: Connection, jobs: dict[str, Made]
) -> None:
    company.keep(conn, Company("Nordhang Kälte GmbH", "Hafenweg 12\n24999 Nordhang"), BY)
    for name, job in jobs.items():
        if name == "planned":
            continue
        record = made(client, job)
        for paper in ("a4", "letter"):
            answer = client.get(f"/api/v1/records/{record['id']}/page", params={"paper": paper})
            assert answer.headers["content-type"] == "application/pdf"
            assert answer.content.startswith(b"%PDF-1.7")
            assert b"/FontFile3" in answer.content or b"/FontFile2" in answer.content
        stored = records.by_id(conn, record["id"])
        assert stored is not None
        shown = sheet.display(
            making.told_by(stored),
            packing.unpack(stored.readings),
            making.figures_for(Company(), stored.made_at),
            digest=stored.digest,
            key_id=stored.key_id,
            address="sha256:" + stored.digest,
            paper="letter",
        )
        pages = typst.compile(
            typeset.TEMPLATE.read_bytes(),
            format="png",
            ppi=20,
            sys_inputs={"told": json.dumps({**shown, "remark": ""})},
        )
        assert len(pages if isinstance(pages, list) else [pages]) <= 2, name


def test_a_failed_record_has_the_form_of_a_passed_one(conn: Connection, jobs: dict[str, Made]) -> None:
    failed, passed = (shown_of(told(conn, jobs[name])) for name in ("leak", "tight"))
    assert failed["result"]["word"].startswith("Failed")
    assert passed["result"]["word"].startswith("Passed")
    assert failed.keys() == passed.keys()
    assert [row[0] for row in failed["holds"][-1]["rows"]] == [row[0] for row in passed["holds"][-1]["rows"]]
    assert any(row[0] == "Smallest leak it could have shown" for row in failed["holds"][0]["rows"])


def test_a_job_without_a_hold_says_that_nothing_is_shown(conn: Connection, jobs: dict[str, Made]) -> None:
    shown = shown_of(told(conn, jobs["pulling"]))
    assert shown["result"] == {
        "word": "No hold test",
        "text": "Nothing in this record shows that the circuit holds vacuum.",
    }


def test_figures_are_in_the_companys_units(conn: Connection, jobs: dict[str, Made]) -> None:
    kept = Company(pressure_unit="hPa", locale="de-DE").checked()
    shown = shown_of(told(conn, jobs["leak"]), kept)
    permitted = dict(shown["holds"][0]["rows"])["Permitted"]
    assert permitted == "1,333\u202fhPa (133,3\u202fPa)"
    assert "hPa" in shown["result"]["text"]
    assert "micron" not in shown["result"]["text"]


def test_letters_without_a_font_are_said_to_be_missing(
    monkeypatch: pytest.MonkeyPatch, conn: Connection, jobs: dict[str, Made]
) -> None:
    remarks: list[str] = []
    real = typst.compile

    def watched(*args: Any, **options: Any) -> bytes:
        remarks.append(json.loads(options["sys_inputs"]["told"])["remark"])
        made: bytes = real(*args, **options)
        return made

    monkeypatch.setattr(typst, "compile", watched)
    shown = shown_of(told(conn, jobs["leak"]))
    typeset.to_pdf(shown, to_datetime(NOON_US + 7))  # a clock has microseconds, a PDF has none
    assert remarks == [""]
    # Balinese: no font of ours has it, and hardly a server's.
    shown["result"]["text"] = "\u1b05\u1b13"
    assert typeset.to_pdf(shown, to_datetime(NOON_US)).startswith(b"%PDF")
    assert remarks[1:] == ["", typeset.NO_FONT]


def test_hostile_names_stay_text(client: httpx.Client, conn: Connection, jobs: dict[str, Made]) -> None:
    job = jobs["leak"]
    title = 'Rack #panic("x") $1+1$ *b* <a> \\ @ref "q" 日本 ' + "w" * 150
    conn.execute("UPDATE job SET title = %s WHERE id = %s", (title[:200], job.job.id))
    record = made(client, job)
    assert client.get(f"/api/v1/records/{record['id']}/page").content.startswith(b"%PDF")
    assert file_of(client, record)["record"]["job"]["title"] == title[:200]


def test_the_company_is_written_down_and_its_changes_are_kept(client: httpx.Client) -> None:
    wish = {"name": "Nordhang Kälte GmbH", "address": "Hafenweg 12\n24999 Nordhang", "paper": "letter"}
    assert client.put("/api/v1/company", json=wish).status_code == 200
    assert client.get("/api/v1/company").json()["address"] == wish["address"]
    bad = client.put("/api/v1/company", json={**wish, "pressure_unit": "psi"})
    assert (bad.status_code, bad.json()["errors"][0]["field"]) == (422, "pressure_unit")
    assert client.put("/api/v1/company", json={**wish, "address": "a\n" * 6}).status_code == 422
    page = client.get("/setup/company").text
    assert "Nordhang Kälte GmbH" in page
    saved = client.post("/setup/company", data={**wish, "name": "Anders GmbH", "pressure_unit": "Pa"})
    assert saved.status_code == 303
    assert client.get("/api/v1/company").json()["name"] == "Anders GmbH"


def test_the_pages_of_a_job_make_and_show_records(client: httpx.Client, jobs: dict[str, Made]) -> None:
    address = f"/jobs/{jobs['tight'].job.id}/records"
    assert "No record was made" in client.get(address).text
    assert client.post(address).status_code == 303
    assert f"Record {jobs['tight'].job.id}-1" in client.get(address).text
    planned = client.post(f"/jobs/{jobs['planned'].job.id}/records")
    assert planned.status_code == 409
    assert "This job has no readings." in planned.text


def test_a_calibration_is_entered_on_the_instruments_page(
    client: httpx.Client, jobs: dict[str, Made]
) -> None:
    address = f"/setup/instruments/{jobs['leak'].gauge.id}"
    bad = client.post(f"{address}/calibrations", data={"calibrated_on": "14 March"})
    assert bad.status_code == 422
    assert "A date is written like 2026-03-14." in bad.text
    good = client.post(
        f"{address}/calibrations", data={"calibrated_on": "2025-03-14", "due_on": "2026-03-14"}
    )
    assert good.status_code == 303
    assert "overdue" in client.get(address).text
    assert date(2026, 3, 14) < to_datetime(NOON_US).date()
