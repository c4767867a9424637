"""Pages for setting up: plain forms that lose nothing and say at each field what is wrong."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator

import httpx
import pytest

from model.alert import Priority
from model.reading import Quantity
from store import clocks
from store.database import Connection
from tests.api.scene import HOUR, Made, Scene
from tests.api.serving import NOON_US, TECHNICIAN, Serving


@pytest.fixture
def pages(api: Serving) -> Iterator[httpx.Client]:
    """A browser without JavaScript: it says where its forms come from, and follows redirects."""
    with api.client() as client:
        client.headers["Origin"] = api.address
        client.follow_redirects = True
        yield client


@pytest.fixture
def job(conn: Connection) -> Made:
    return Scene(conn, NOON_US).job("Quay", "Rack", NOON_US - HOUR, title="Rack of the quay")


def wrong(answer: httpx.Response) -> dict[str, str]:
    """The sentences by the field at which they stand."""
    found = re.findall(r'<span class="problem" id="(?:f|add)-(\w+)-wrong">([^<]*)</span>', answer.text)
    return {name: html.unescape(text) for name, text in found}


def value(answer: httpx.Response, field: str) -> str:
    """What stands in a field."""
    found = re.search(rf'<input id="f-{field}" name="{field}" value="([^"]*)"', answer.text)
    assert found, field
    return html.unescape(found[1])


def said(answer: httpx.Response, status: int, *words: str) -> None:
    assert answer.status_code == status, answer.text
    text = html.unescape(answer.text)
    for word in words:
        assert word in text


def test_every_page_is_there_for_who_may_and_for_nobody_else(
    pages: httpx.Client, api: Serving, job: Made, conn: Connection
) -> None:
    paths = [
        "/setup", "/setup/sites", f"/setup/sites/{job.job.site_id}", "/setup/circuits",
        f"/setup/circuits/{job.job.circuit_id}", "/setup/crews", "/setup/gateways",
        f"/setup/gateways/{job.gauge.gateway_id}", "/setup/instruments", f"/setup/instruments/{job.gauge.id}",
        "/setup/procedures", "/setup/procedures/1",
    ]  # fmt: skip
    paths += [
        f"/setup/import/{kind}" for kind in ("site", "circuit", "crew", "gateway", "instrument", "procedure")
    ]
    with api.client(TECHNICIAN) as technician:
        assert "/setup" not in technician.get("/").text
        for path in paths:
            assert pages.get(path).status_code == 200, path
            assert technician.get(path).status_code == 403, path
        # The calculator stores nothing and is for everybody.
        assert technician.get("/setup/pipes").status_code == 200
    for path in ("/setup/sites/999", "/setup/instruments/x", "/setup/import/teapot", "/setup/procedures/999"):
        assert pages.get(path).status_code in (404, 422), path
    assert 'href="/setup"' in pages.get("/").text


def test_the_index_counts_and_says_what_is_missing(pages: httpx.Client, job: Made, conn: Connection) -> None:
    conn.execute("UPDATE circuit SET volume_m3 = NULL")
    said(pages.get("/setup"), 200, "Rack at Quay</a> has no volume", "gw-quay/g1</a> has no range",
         "gw-quay</a> has never been heard of")  # fmt: skip
    conn.execute("UPDATE circuit SET volume_m3 = 0.01")
    conn.execute("UPDATE instrument SET range_high_pa = 3000")
    conn.execute(
        "INSERT INTO gateway_presence (gateway_id, online, session, arrived_at) "
        "VALUES (%s, true, 'x', now())",
        (job.gauge.gateway_id,),
    )
    said(pages.get("/setup"), 200, "Nothing: every circuit has a volume")


def test_a_company_is_set_up_by_forms(pages: httpx.Client, conn: Connection) -> None:
    answer = pages.post("/setup/sites", data={"name": "Quay", "time_zone": "Europe/Oslo", "place": "Berth 4"})
    said(answer, 200, "<h1>Quay</h1>")
    site = answer.url.path
    answer = pages.post(f"{site}/circuits", data={"name": "Rack", "volume": "38 l", "refrigerant": "R-448A"})
    said(answer, 200, "<h1>Rack</h1>")
    assert value(answer, "volume") == "38 L"
    answer = pages.post("/setup/gateways", data={"name": "van-7", "site": site.rsplit("/", 1)[1]})
    said(answer, 200, "van-7 is registered", "mosquitto_pub", "topic write hf/1/van-7/+/data")
    secret = re.search(r'<code id="secret">([^<]+)</code>', answer.text)
    assert secret
    assert secret[1] not in pages.get("/setup/gateways/1").text
    gauge = {"name": "g1", "role": "gauge", "position": "circuit", "range_high": "25 Torr",
             "accuracy": "10 %", "interval": "10 s", "unit": "microns"}  # fmt: skip
    answer = pages.post("/setup/gateways/1/instruments", data=gauge)
    said(answer, 200, "<h1>van-7/g1</h1>")
    assert value(answer, "unit") == "micron"
    row = conn.execute("SELECT range_high_pa, unit FROM instrument").fetchone()
    # 25 Torr, a Torr being 101325/760 Pa
    assert row == {"range_high_pa": pytest.approx(25 * 101325 / 760), "unit": "micron"}
    assert pages.post("/setup/crews", data={"name": "North"}).status_code == 200
    said(pages.post("/setup/crews/1", data={"name": "South"}), 200, 'value="South"')
    said(pages.post("/setup/crews/1", data={"name": "South", "delete": "yes"}), 200, "No crew yet")
    assert conn.execute("SELECT count(*) AS n FROM audit WHERE person_id IS NULL").fetchone() == {"n": 0}


def test_a_refrigerant_that_is_not_in_the_table_is_kept_and_said_to_be_possibly_flammable(
    pages: httpx.Client,
) -> None:
    pages.post("/setup/sites", data={"name": "Quay", "time_zone": "Europe/Oslo", "place": ""})
    answer = pages.post(
        "/setup/sites/1/circuits", data={"name": "Rack", "volume": "", "refrigerant": "R-9999"}
    )
    said(answer, 200, "R-9999 is not in our table: it is taken for possibly flammable")
    assert value(answer, "refrigerant") == "R-9999"
    said(pages.get("/setup"), 200, "has a refrigerant that is not in our table")
    pages.post("/setup/circuits/1", data={"name": "Rack", "volume": "", "refrigerant": "r410a", "oil": ""})
    assert "not in our table" not in pages.get("/setup").text + pages.get("/setup/circuits/1").text


def test_what_cannot_be_used_is_said_at_its_field_and_nothing_typed_is_lost(
    pages: httpx.Client, job: Made, conn: Connection
) -> None:
    answer = pages.post("/setup/sites", data={"name": "<b>Mill", "time_zone": "Mars/Base"})
    assert answer.status_code == 422
    assert list(wrong(answer)) == ["time_zone"]
    assert (value(answer, "name"), value(answer, "time_zone")) == ("<b>Mill", "Mars/Base")
    said(
        pages.post("/setup/sites", data={"name": "Quay", "time_zone": "UTC"}),
        422,
        "There is a site 'Quay' already.",
    )
    typed = {"role": "gauge", "position": "circuit", "range_high": "25000", "accuracy": "110 %",
             "interval": "soon", "serial": "A-9"}  # fmt: skip
    answer = pages.post(f"/setup/instruments/{job.gauge.id}", data=typed)
    assert answer.status_code == 422
    assert wrong(answer)["range_high"] == "'25000' lacks its unit, such as micron or Pa."
    assert {"range_high", "interval", "accuracy"} == wrong(answer).keys()
    assert [value(answer, name) for name in ("range_high", "interval", "serial")] == ["25000", "soon", "A-9"]
    answer = pages.post(f"/setup/sites/{job.job.site_id}/circuits", data={"name": "", "volume": "1,500 l"})
    assert wrong(answer).keys() == {"name", "volume"}
    assert "may mean" in wrong(answer)["volume"]
    answer = pages.post("/setup/procedures", data={"name": "X", "target": "500 psig", "hold": "1 min"})
    assert wrong(answer).keys() == {"target", "origin"}
    assert value(answer, "hold") == "1 min"
    answer = pages.post(f"/setup/circuits/{job.job.circuit_id}", data={"name": "Rack", "volume": "many"})
    assert wrong(answer).keys() == {"volume"}
    assert conn.execute("SELECT serial FROM instrument WHERE id = %s", (job.gauge.id,)).fetchone() == {
        "serial": ""
    }
    said(pages.post("/setup/crews/1", data={"name": " "}), 422, "A crew needs a name.")


def test_a_form_that_is_sent_twice_makes_one_secret(pages: httpx.Client, job: Made, conn: Connection) -> None:
    address = f"/setup/gateways/{job.gauge.gateway_id}"
    said(pages.post(f"{address}/rotate", data={"known": "1"}), 200, "has a new password")
    kept = conn.execute("SELECT secret_bcrypt FROM gateway").fetchone()
    said(pages.post(f"{address}/rotate", data={"known": "1"}), 409, "has been given a new password")
    assert conn.execute("SELECT secret_bcrypt FROM gateway").fetchone() == kept
    said(pages.post(f"{address}/revoke"), 200, "revoked", "It may not publish")
    said(pages.post(f"{address}/rotate", data={"known": "2"}), 200, "may publish again")
    said(pages.post(f"{address}/rotate", data={"known": ""}), 409, "has been given a new password")


def test_what_is_in_use_stays_and_the_page_says_by_what(pages: httpx.Client, job: Made) -> None:
    said(
        pages.post(f"/setup/sites/{job.job.site_id}/delete"), 409, "in use by 1 circuit, 1 gateway and 1 job"
    )
    said(pages.post(f"/setup/circuits/{job.job.circuit_id}/delete"), 409, "in use by 1 job")
    said(pages.post(f"/setup/crews/{job.job.crew_id}", data={"delete": "yes"}), 409, "in use by 1 job")
    said(pages.post(f"/setup/gateways/{job.gauge.gateway_id}/delete"), 409, "2 instruments", "Revoke it")
    said(pages.post(f"/setup/instruments/{job.gauge.id}/delete"), 409, "1 service in a job")
    said(pages.post(f"/setup/procedures/{job.job.procedure_id}/delete"), 409, "in use by 1 job")
    said(
        pages.post(f"/setup/instruments/{job.gauge.id}/service", data={"retire": "yes"}),
        409,
        "It serves the job 'Rack of the quay'",
    )


def test_a_change_that_judges_again_says_so(pages: httpx.Client, job: Made, conn: Connection) -> None:
    scene = Scene(conn, NOON_US)
    scene.readings(job, scene.pull_down(NOON_US - HOUR, NOON_US - HOUR // 2, 60.0))
    conn.execute("DELETE FROM work")
    address = f"/setup/instruments/{job.gauge.id}"
    shown = pages.get(address)
    typed = {name: value(shown, name) for name in ("accuracy", "interval", "unit", "range_high")}
    answer = pages.post(address, data={**typed, "role": "gauge", "position": "circuit"})
    assert "judged again because" not in answer.text
    assert conn.execute("SELECT count(*) AS n FROM work").fetchone() == {"n": 0}
    answer = pages.post(address, data={**typed, "accuracy": "5 %", "role": "gauge", "position": "circuit"})
    said(answer, 200, "One job is judged again because of the change", "accuracy 0.1 → 0.05")
    assert conn.execute("SELECT count(*) AS n FROM work").fetchone() == {"n": 1}


def test_the_calculator_fills_the_field_and_saves_nothing(
    pages: httpx.Client, job: Made, conn: Connection
) -> None:
    address = f"/setup/circuits/{job.job.circuit_id}"
    typed = {"name": "Rack renamed", "volume": "12 L", "refrigerant": "R-290", "oil": "", "calculate": "yes",
             "inner-0": "20 mm", "length-0": "10 m", "vessel-1": "8 l"}  # fmt: skip
    answer = pages.post(address, data=typed)
    # π/4 · 0.02² · 10 m³ = 3.14 l, and 8 l
    assert (value(answer, "volume"), value(answer, "name")) == ("11.1 L", "Rack renamed")
    said(answer, 200, "between 10.0 and 12.3 L", 'name="inner-0" value="20 mm"')
    assert conn.execute("SELECT name, volume_m3 FROM circuit").fetchone() == {
        "name": "Rack",
        "volume_m3": 0.012,
    }
    answer = pages.post(address, data={**typed, "length-0": "10", "outer-1": "33 mm", "length-1": "1 m"})
    said(answer, 422, "'10' lacks its unit", "No usual copper tube", 'name="length-0" value="10"')
    assert value(answer, "volume") == "12 L"
    said(pages.post("/setup/pipes", data={"outer-0": "7/8 in", "length-0": "30 m"}), 200, "<b>9.37 L</b>")


def test_forms_speak_the_readers_decimal_sign(pages: httpx.Client, job: Made, conn: Connection) -> None:
    pages.headers["accept-language"] = "de-DE"
    conn.execute("UPDATE circuit SET volume_m3 = 0.0125")
    address = f"/setup/circuits/{job.job.circuit_id}"
    assert value(pages.get(address), "volume") == "12,5 L"
    typed = {"name": "Rack", "refrigerant": "R-290", "oil": ""}
    pages.post(address, data={**typed, "volume": "12,625 L"})
    assert conn.execute("SELECT volume_m3 FROM circuit").fetchone() == {"volume_m3": pytest.approx(0.012625)}
    answer = pages.post(address, data={**typed, "volume": "1.500 L"})
    said(answer, 422, "may mean 1500 or 1,5; write the one you mean.")
    assert value(answer, "volume") == "1.500 L"
    answer = pages.post(address, data={**typed, "volume": "", "calculate": "yes", "vessel-1": "8,125 l"})
    assert value(answer, "volume") == "8,13 L"
    gauge = f"/setup/instruments/{job.gauge.id}"
    conn.execute("UPDATE instrument SET range_high_pa = 3333.0597")
    shown = value(pages.get(gauge), "range_high")
    assert "," in shown
    pages.post(gauge, data={"role": "gauge", "position": "circuit", "range_high": shown, "accuracy": "7,5 %"})
    row = conn.execute("SELECT range_high_pa, accuracy FROM instrument WHERE role = 'gauge'").fetchone()
    assert row == {"range_high_pa": 3333.0597, "accuracy": pytest.approx(0.075)}


def test_a_procedure_is_versioned_by_its_page(pages: httpx.Client, job: Made, conn: Connection) -> None:
    said(pages.get("/setup/procedures?volume=10 l"), 200, "1.6\u202f×\u202f10⁻³ Pa·m³/s")
    said(pages.get("/setup/procedures?volume=10"), 422, "'10' lacks its unit")
    address = f"/setup/procedures/{job.job.procedure_id}"
    before = conn.execute("SELECT * FROM procedure WHERE id = %s", (job.job.procedure_id,)).fetchone()
    shown = pages.get(address)
    names = (
        "target",
        "dwell",
        "hold",
        "settle",
        "limit",
        "rise",
        "persistence",
        "median",
        "breaks",
        "patience",
    )
    typed = {name: value(shown, name) for name in names}
    assert typed["target"] == "500 micron"
    answer = pages.post(address, data={**typed, "hold": "8 h", "origin": "own practice"})
    said(answer, 200, "version 2", "own practice", "8\u202fh")
    assert conn.execute("SELECT * FROM procedure WHERE id = %s", (job.job.procedure_id,)).fetchone() == before
    # What was not touched in the form is the same figure to the last bit.
    after = conn.execute("SELECT * FROM procedure ORDER BY id DESC LIMIT 1").fetchone()
    assert before
    assert after
    assert {key for key in before if before[key] != after[key]} == {"id", "version", "hold_s", "origin"}
    said(pages.post(f"/setup/procedures/{after['id']}/default"), 200, "for walk-ups")
    answer = pages.post(address, data={**typed, "settle": "40 min", "origin": "x"})
    assert wrong(answer).keys() == {"settle"}


def test_a_table_is_tried_and_then_imported(pages: httpx.Client, conn: Connection) -> None:
    table = "name,time_zone\nQuay,Europe/Oslo\nMill,Europe/Berlin\n"
    answer = pages.post(
        "/setup/import/site", files={"file": ("sites.csv", table, "text/csv")}, data={"act": "try"}
    )
    said(answer, 200, "This would happen", "2 made, 0 changed, 0 left", "Mill,Europe/Berlin", "Import 2 rows")
    assert conn.execute("SELECT count(*) AS n FROM site").fetchone() == {"n": 0}
    answer = pages.post("/setup/import/site", data={"table": table, "act": "import"})
    said(answer, 200, "Done", "2 made")
    bad = "name,site\nvan-7,Quay\nVan 8,Mill\nvan-9,Hill\n"
    answer = pages.post("/setup/import/gateway", data={"table": bad, "act": "import"})
    said(answer, 422, "2 cells cannot be used; nothing was changed", "There is no site 'Hill'.", "Van 8,Mill")
    assert conn.execute("SELECT count(*) AS n FROM gateway").fetchone() == {"n": 0}
    answer = pages.post("/setup/import/gateway", data={"table": "name,site\nvan-7,Quay\n", "act": "import"})
    said(answer, 200, "New passwords, shown this once", "gateway-passwords.csv", "gateway,password\nvan-7,")
    said(pages.post("/setup/import/site", data={"table": "", "act": "import"}), 422, "The table is empty")
    answer = pages.post(
        "/setup/import/site", files={"file": ("x.csv", b"name\nK\xf6ln\n")}, data={"act": "try"}
    )
    said(answer, 422, "Line 2 is not UTF-8")


def test_planned_jobs_are_opened_from_a_table_by_whoever_may_open_one(
    api: Serving, conn: Connection, job: Made
) -> None:
    table = "title,site,circuit,start\nNight shift,Quay,Rack,2026-11-24 18:30\n"
    with api.client(TECHNICIAN) as technician:
        technician.headers["Origin"] = api.address
        said(technician.get("/setup/import/job"), 200, "<h1>Jobs from a table</h1>", "title, site, circuit")
        tried = technician.post("/setup/import/job", files={"file": ("jobs.csv", table)}, data={"act": "try"})
        said(tried, 200, "This would happen", "1 made", "Night shift,Quay", "Import 1 row")
        assert conn.execute("SELECT count(*) AS n FROM job").fetchone() == {"n": 1}
        bad = table.replace("Rack", "Rock") + "x,Hill,,yesterday\n,Quay,,\n"
        said(technician.post("/setup/import/job", data={"table": bad, "act": "import"}), 422,
             "nothing was changed", "no circuit 'Rock' at Quay.", "no site 'Hill'.")  # fmt: skip
        for nothing in ("", "title,site\nx,Quay\n", "a\0b", "teapot\n1\n"):
            answer = technician.post("/setup/import/job", data={"table": nothing, "act": "import"})
            said(answer, 422, "Nothing was changed.")
        latin = technician.post("/setup/import/job", files={"file": ("x.csv", b"title\nK\xf6ln\n")})
        said(latin, 422, "is not UTF-8")
        done = technician.post("/setup/import/job", data={"table": table, "act": "import"})
        made = conn.execute("SELECT id, state FROM job WHERE title = 'Night shift'").fetchone()
        assert made
        assert made["state"] == "planned"
        said(done, 200, "Done", f'<a href="/jobs/{made["id"]}">Night shift</a>')
        assert technician.get("/setup/import/site").status_code == 403
        assert 'href="/setup/import/job"' in technician.get("/jobs/new").text
    with api.client() as manager:
        assert 'href="/setup/import/job"' in manager.get("/setup").text


def test_a_table_says_of_a_refrigerant_that_it_is_not_listed_and_takes_it(
    pages: httpx.Client, conn: Connection, job: Made
) -> None:
    table = "site,name,refrigerant\nQuay,Rack A,R-999X\nQuay,Rack B,R-448A\n"
    for act in ("try", "import"):
        answer = pages.post("/setup/import/circuit", data={"table": table, "act": act})
        said(
            answer,
            200,
            "2 made",
            "R-999X is not in our table",
            "is worth a look: line 2.",
        )
        assert "R-448A is not in our table" not in answer.text
    rows = pages.post(
        "/api/v1/circuits/import?dry_run=true", content=table, headers={"Content-Type": "text/csv"}
    ).json()["rows"]
    assert [row["remark"].startswith("R-999X is not in our table") for row in rows] == [True, False]
    assert conn.execute("SELECT count(*) AS n FROM circuit").fetchone() == {"n": 3}


def test_a_page_says_once_what_was_just_done(pages: httpx.Client, job: Made) -> None:
    address = f"/setup/sites/{job.job.site_id}"
    answer = pages.post(address, data={"name": "Quay", "time_zone": "Europe/Berlin"})
    said(answer, 200, 'role="status">Saved.</p>')
    assert "Saved." not in pages.get(address).text
    refused = pages.post(address, data={"name": "", "time_zone": "Europe/Berlin"})
    assert wrong(refused)
    assert "Saved." not in refused.text
    assert "Saved." not in pages.get(address).text


def test_open_alerts_are_counted_on_every_page(pages: httpx.Client, job: Made, conn: Connection) -> None:
    def shown(path: str) -> bool:
        return " hidden><b>0</b> open" not in pages.get(path).text

    paths = ("/setup/sites", "/setup/gateways", "/setup/crews", "/me", "/me/figures", "/me/signals", "/")
    assert not any(shown(path) for path in paths)
    Scene(conn, NOON_US).alert(job, "hold-failed", Priority.URGENT, "Failed.", "Go.", NOON_US)
    for path in paths:
        assert shown(path), path


def test_a_gateway_that_is_heard_or_refused_is_not_called_unheard(
    pages: httpx.Client, job: Made, conn: Connection
) -> None:
    address = f"/setup/gateways/{job.gauge.gateway_id}"
    assert "Nothing has been heard" in pages.get(address).text
    conn.execute(
        "INSERT INTO quarantine (arrived_at, topic, gateway, reason, message, raw, digest) VALUES "
        "(now(), 'hf/1/gw-quay/g9/data', 'gw-quay', 'unknown-instrument', "
        "'The gateway gw-quay has no instrument g9.', '[]', '0')"
    )
    said(pages.get(address), 200, "nothing of it was taken", "has no instrument g9", "hf/1/gw-quay/g9/data")
    index = pages.get("/setup").text
    assert "gw-quay</a> sends, but no reading" in index
    assert "never been heard" not in index
    Scene(conn, NOON_US).latest(job.gauge, Quantity.PRESSURE, NOON_US, 420.0)
    said(pages.get(address), 200, "last heard of")
    said(pages.get("/setup/gateways"), 200, "last heard of")
    assert "gw-quay</a> sends, but" not in pages.get("/setup").text


def test_a_gateway_whose_clock_is_wrong_is_said_to_be_and_what_it_means(
    pages: httpx.Client, job: Made, conn: Connection
) -> None:
    page = f"/setup/gateways/{job.gauge.gateway_id}"
    view = f"/api/v1/gateways/{job.gauge.gateway_id}"
    assert "clock" not in pages.get(page).text
    assert pages.get(view).json()["clock_ahead_s"] is None
    clocks.note(conn, {"gw-quay": clocks.Lag(200_000, 9, NOON_US)})
    said(pages.get(page), 200, "Its clock agrees with ours to 10 s.")
    assert pages.get(view).json()["clock_trouble"] is None
    clocks.note(conn, {"gw-quay": clocks.Lag(-42_000_000, 9, NOON_US)})
    said(pages.get(page), 200, "Its clock is 42 s or more ahead of ours", "the gateway's own times")
    told = pages.get(view).json()
    assert told["clock_ahead_s"] == 42
    assert "42 s or more ahead of ours" in told["clock_trouble"]
    assert pages.get("/api/v1/gateways").json()["items"][0]["clock_ahead_s"] == 42


def test_a_procedure_sent_twice_makes_one_version(pages: httpx.Client, conn: Connection) -> None:
    form = {
        "name": "House",
        "target": "500 micron",
        "hold": "30 min",
        "limit": "1000 micron",
        "origin": "ours",
    }
    made = str(pages.post("/setup/procedures", data=form).url.path)
    other = {**form, "hold": "45 min"}
    said(pages.post(made, data=other), 200, "version 2")
    said(pages.post(made, data=other), 422, "Version 2 of House has these numbers already.")
    assert conn.execute("SELECT max(version) AS n FROM procedure WHERE name = 'House'").fetchone() == {"n": 2}
