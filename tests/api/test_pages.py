"""Pages as the server renders them, without a script."""

from __future__ import annotations

import json
import re

import httpx
import pytest
from psycopg.types.json import Jsonb

from analytics.worker.causes import explained
from api.conventions import THIN
from model.clock import to_datetime
from model.event import EventKind
from model.judgement import Cause, Diagnosis
from store.database import Connection
from store.judgement import decode, encode
from tests.api.scene import HOUR, Made, Scene
from tests.api.serving import NOON_US, Serving


def test_the_board_is_whole_without_a_script(client: httpx.Client, jobs: dict[str, Made]) -> None:
    page = client.get("/").text
    rows = re.findall(r'<tr role="row" class="row[^>]*data-job="(\d+)" data-state="([\w-]+)"', page)
    assert rows[0] == (str(jobs["leak"].job.id), "failed")
    assert len(rows) == len(jobs)
    assert "Nobody assigned" not in page


def test_an_empty_board_says_how_a_first_reading_comes_in(client: httpx.Client) -> None:
    page = client.get("/").text
    assert "No job is open" in page
    assert "mosquitto_pub" in page


def test_the_job_page_says_how_large_a_leak_would_be_and_what_it_may_lose(
    client: httpx.Client, jobs: dict[str, Made]
) -> None:
    page = client.get(f"/jobs/{jobs['leak'].job.id}").text.replace("\u202f", " ")
    # 1 mbar·l/s is 0.1 Pa·m³/s, by the definitions of bar and litre.
    assert "6.1 × 10⁻⁴ Pa·m³/s" in page
    assert "6.1 × 10⁻³ mbar·l/s" in page
    lost = re.search(r"it may lose ([\d.,]+) to ([\d.,]+) kg a year", page)
    assert lost
    # From the least of it through an orifice to the most through a long channel: more than its own width.
    assert float(lost[2]) > float(lost[1]) * 8.0 / 4.3


def test_the_job_page_says_how_much_vapour_there_is_and_that_the_liquid_is_not_known(
    client: httpx.Client, jobs: dict[str, Made]
) -> None:
    page = client.get(f"/jobs/{jobs['wet'].job.id}").text.replace("\u202f", " ")
    assert "0.12 g of it" in page
    assert re.search(r"in balance with water or ice at −[45](\.\d)? °C", page)
    assert "The liquid or bound water behind it is not known" in page


def test_the_job_page_says_the_verdict_in_words_with_its_numbers(
    client: httpx.Client, jobs: dict[str, Made]
) -> None:
    page = client.get(f"/jobs/{jobs['leak'].job.id}").text.replace("\u202f", " ").replace("\u00a0", " ")
    for words in (
        "Failed: above the permitted 1 000 micron (133 Pa) for 60 s",
        "430 micron (57 Pa)",
        "1 000 micron (133.3 Pa)",
        "5.4 × 10⁻⁴ Pa·m³/s",
        "Estimated cause: leak",
        "93 %",
        "kg a year",
        "Can wait till morning if the valve stays closed: 8 h on, about",
        "Blank the rig off and test it alone first: hoses",
        "It never changes the verdict",
        "Never open an isolation valve to a stopped pump.",
        "A passed vacuum hold is no pressure test",
    ):
        assert words in page, words


def test_a_flammable_refrigerant_is_named_where_somebody_acts(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    conn.execute("UPDATE circuit SET refrigerant = 'R-290'")
    page = client.get(f"/jobs/{jobs['leak'].job.id}").text
    assert "R-290 is flammable (A3)" in page
    conn.execute("UPDATE circuit SET refrigerant = 'R-9999'")
    valve = conn.execute(
        "SELECT a.instrument_id FROM assignment a JOIN instrument i ON i.id = a.instrument_id "
        "WHERE i.role = 'valve' AND a.job_id = %s",
        (jobs["leak"].job.id,),
    ).fetchone()
    assert valve is not None
    number = jobs["leak"].job.id
    for address in (f"/jobs/{number}", f"/jobs/{number}/valve/{valve['instrument_id']}/close"):
        assert "R-9999 is not in our table; take it for flammable" in client.get(address).text, address


def test_a_pass_with_a_likely_leak_says_so(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    words = (
        "Passed by the rule, leak suspected (70%).",
        "but a leak is suspected (70%).",
        "Do not charge yet.",
    )
    number = jobs["tight"].job.id
    page = client.get(f"/jobs/{number}").text
    assert not any(one in page for one in words)
    row = conn.execute("SELECT detail FROM hold_test WHERE job_id = %s", (number,)).fetchone()
    assert row is not None
    leaking = Diagnosis(Cause.UNCLEAR, {"leak": 0.4, "leak+moisture": 0.3, "tight": 0.3})
    told = encode(explained(decode(row["detail"]), leaking))
    conn.execute("UPDATE hold_test SET detail = %s WHERE job_id = %s", (Jsonb(told), number))
    page = client.get(f"/jobs/{number}").text
    for one in words:
        assert page.count(one) == 1, one


def test_a_running_hold_shows_its_forecast_in_one_line_as_an_estimate(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    made = jobs["holding"]
    page = client.get(f"/jobs/{made.job.id}/judgement").text
    assert f"<dt>Forecast</dt><dd>under 1{THIN}% that it fails" in page
    assert "estimate, unless a leak opens later" in page
    # 12:00 UTC on 28 May 2026 is 14:00 in Berlin.
    forecast = {"probability": 0.93, "crossing_us": NOON_US, "low_us": NOON_US, "high_us": NOON_US}
    conn.execute(
        "UPDATE hold_test SET detail = jsonb_set(detail, '{forecast}', %s) WHERE id = %s",
        (json.dumps(forecast), made.hold_id),
    )
    page = client.get(f"/jobs/{made.job.id}/judgement").text
    assert f"93{THIN}% that it fails, at about" in page
    assert "estimate; if it fails, 90 % between" in page
    shown = client.get(f"/api/v1/hold-tests/{made.hold_id}").json()["forecast"]
    assert shown["probability"] == 0.93
    assert shown["crossing_at"] == to_datetime(NOON_US).isoformat().replace("+00:00", "Z")


def test_times_are_those_of_the_site(client: httpx.Client, scene: Scene) -> None:
    # 20:26:40 UTC on 28 May 2026 is 07:26 the day after in Sydney (UTC+10 in May: 06:26).
    made = scene.job("Far away", "Rack", NOON_US, time_zone="Australia/Sydney")
    assert "Fri 29 May, 06:26" in client.get(f"/jobs/{made.job.id}").text


def test_a_walk_up_job_is_named_by_a_plain_form(
    api: Serving, client: httpx.Client, jobs: dict[str, Made]
) -> None:
    number = jobs["walk-up"].job.id
    assert f'action="/jobs/{number}/name"' in client.get(f"/jobs/{number}").text
    named = client.post(
        f"/jobs/{number}/name", data={"title": "Ice <machine>"}, headers={"Origin": api.address}
    )
    assert named.headers["location"] == f"/jobs/{number}"
    assert "<h1>Ice &lt;machine&gt;</h1>" in client.get(f"/jobs/{number}").text


@pytest.mark.parametrize(("title", "why"), [("  ", "A job needs a title."), ("x" * 201, "200")])
def test_a_name_that_cannot_be_stands_in_its_field_with_the_reason(
    api: Serving, client: httpx.Client, jobs: dict[str, Made], title: str, why: str
) -> None:
    number = jobs["walk-up"].job.id
    answer = client.post(f"/jobs/{number}/name", data={"title": title}, headers={"Origin": api.address})
    assert answer.status_code == 422
    assert f'value="{title}" aria-invalid="true"' in answer.text
    told = answer.text.split('id="title-problem">')[1].split("<")[0]
    assert why in told


def test_a_job_without_anything_has_a_page(client: httpx.Client, scene: Scene) -> None:
    made = scene.job("Harbour", "Rack", NOON_US - HOUR)
    page = client.get(f"/jobs/{made.job.id}").text
    assert "No hold test yet" in page
    assert "No readings yet" in page


@pytest.mark.parametrize("path", ["/jobs/999", "/jobs/x", "/nothing"])
def test_what_is_not_there_is_a_page_that_leads_back(client: httpx.Client, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 404
    assert "To the board" in answer.text


def test_a_fault_of_ours_is_a_page_without_its_inner_parts(client: httpx.Client, conn: Connection) -> None:
    conn.execute("ALTER TABLE alert RENAME TO gone")
    page = client.get("/")
    assert page.status_code == 500
    assert "Something went wrong on our side" in page.text
    assert "relation" not in page.text
    answer = client.get("/api/v1/alerts")
    assert answer.status_code == 500
    assert answer.headers["content-type"] == "application/problem+json"
    assert "relation" not in answer.text


def test_every_asset_is_our_own_and_lasts(client: httpx.Client, jobs: dict[str, Made]) -> None:
    page = client.get(f"/jobs/{jobs['leak'].job.id}").text
    addresses = re.findall(r'(?:src|href)="([^"#]+)"', page)
    assert not [address for address in addresses if "//" in address]
    assets = [address for address in addresses if address.startswith("/static/")]
    assert any("bokeh" in address for address in assets)
    for address in assets:
        answer = client.get(address)
        assert answer.status_code == 200, address
        assert "immutable" in answer.headers["cache-control"]


def test_pages_are_light(client: httpx.Client, jobs: dict[str, Made]) -> None:
    # Compressed as a browser asks for it: at most 80 kB without the plot, 500 kB with it.
    def weight(path: str) -> int:
        page = client.get(path)
        modules = re.findall(r'(?:src|href)="(/static/[^"]+)"', page.text)
        own = modules[0].rsplit("/", 1)[0]
        modules += [f"{own}/{name}" for name in ("shell.js", "marks.js", "time.js", "plot.js")]
        return sum(_compressed(client, address) for address in [path, *modules])

    assert weight("/") < 80_000
    assert weight(f"/jobs/{jobs['leak'].job.id}") < 500_000


def _compressed(client: httpx.Client, address: str) -> int:
    with client.stream("GET", address, headers={"Accept-Encoding": "gzip"}) as answer:
        return sum(len(chunk) for chunk in answer.iter_raw())


def test_no_page_may_be_framed_or_run_foreign_scripts(client: httpx.Client) -> None:
    policy = client.get("/").headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe-eval" not in policy


def test_what_late_readings_took_back_is_struck_out(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    number = jobs["leak"].job.id
    said = '<span class="void">Target of 500\u202fmicron (66.7\u202fPa) held for 60 s.</span>'
    assert said not in client.get(f"/jobs/{number}").text
    conn.execute(
        "UPDATE fact SET withdrawn_at = now() WHERE job_id = %s AND kind = 'target-reached'", (number,)
    )
    page = client.get(f"/jobs/{number}").text
    assert said in page
    assert page.count('class="void"') == 1


def test_the_timeline_runs_by_the_time_at_the_site(client: httpx.Client, scene: Scene) -> None:
    made = scene.job("Harbour", "Rack", NOON_US - HOUR)
    scene.event(made, EventKind.HOLD_STARTED, NOON_US - HOUR // 2, "second")
    scene.event(made, EventKind.PULL_DOWN_STARTED, NOON_US - HOUR, "first, known late", NOON_US)
    page = client.get(f"/jobs/{made.job.id}").text
    assert page.index("second") < page.index("first, known late")
    assert "Known Thu 28 May, 22:26 UTC+2." in page


def test_the_job_page_says_the_numbers_of_its_rule(client: httpx.Client, jobs: dict[str, Made]) -> None:
    page = client.get(f"/jobs/{jobs['leak'].job.id}").text
    rule = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", page[page.index('id="rule-title"') :]))
    assert "version 1" in rule
    assert "then closed for 30 min, settling of 2 min included; at most 1 000 micron" in rule
