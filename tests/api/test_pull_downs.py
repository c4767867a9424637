"""What API, job page and board say of a running pull-down."""

from __future__ import annotations

import html
import math
import re
from datetime import datetime, timedelta
from typing import Any

import httpx
import pytest

from analytics.core.pull_down import Known
from model.clock import US, to_datetime
from model.judgement import Phase, PhaseKind
from model.rig import Rig
from physics.units import MICRON_PA
from store import pull_downs
from store.database import Connection
from tests.api.scene import MINUTE, Curve, Made, Scene
from tests.api.serving import NOON_US, Serving


def plain(text: str) -> str:
    return text.replace("\u202f", " ").replace("\u00a0", " ")


def hose(scene: Scene, start_us: int, end_us: int) -> Curve:
    """P = 1/(1/P0 + t/c): a hose that decides alone; at the target of 500 micron after 15 min."""
    return [
        (at, scene.noise() / (1 / 1e5 + (at - start_us) / US / 60_000))
        for at in range(start_us, end_us, 5 * US)
    ]


def falling(conn: Connection, site: str = "Fish hall") -> Made:
    """A job that has pumped for seven minutes."""
    with conn.transaction():
        scene = Scene(conn, NOON_US)
        opened = NOON_US - 7 * MINUTE
        made = scene.job(site, "Ice maker", opened)
        curve = hose(scene, opened, NOON_US)
        scene.readings(made, curve)
        scene.phases(made, Phase(PhaseKind.PULL_DOWN, opened, None, 1e5, None, curve[-1][1]))
        scene.estimated(made, curve)
        return made


def wet(conn: Connection) -> Made:
    """One that stands at water's triple point."""
    with conn.transaction():
        scene = Scene(conn, NOON_US)
        opened = NOON_US - 60 * MINUTE
        made = scene.job("Dye works", "Chiller", opened)
        curve = [
            (at, (612 + 1e5 * math.exp(-(at - opened) / US / 60)) * scene.noise())
            for at in range(opened, NOON_US, 10 * US)
        ]
        scene.readings(made, curve)
        scene.phases(made, Phase(PhaseKind.PULL_DOWN, opened, None, 1e5, None, 612))
        scene.estimated(made, curve, Known(0.012, ambient_k=293.15))
        return made


def told(client: httpx.Client, made: Made, **query: str) -> dict[str, object]:
    found: dict[str, object] = client.get(f"/api/v1/jobs/{made.job.id}", params=query).json()["pull_down"]
    return found


def test_the_api_says_when_the_target_will_be_reached(client: httpx.Client, conn: Connection) -> None:
    made = falling(conn)
    said = client.get(f"/api/v1/jobs/{made.job.id}").json()["pull_down"]
    moments = [datetime.fromisoformat(said[name]) for name in ("as_of", "earliest_at", "expected_at")]
    assert moments == sorted(moments)
    reached = to_datetime(NOON_US - 7 * MINUTE) + timedelta(minutes=15)
    assert abs(moments[2] - reached) < timedelta(minutes=3)
    assert said["state"] == "falling"
    assert said["target"]["value"] == pytest.approx(500 * MICRON_PA)
    # 12 l and S = V·P/c: 0.012 m³ · 140 Pa/60 000 Pa·s, where it stands after seven minutes.
    speed = said["speed_now"]["m3_per_s"]
    assert speed["low"] < 0.012 * said["pressure"]["value"] / 60_000 < speed["high"]


def test_figures_follow_the_unit_that_is_asked_for(client: httpx.Client, conn: Connection) -> None:
    made = wet(conn)
    pascal, torr = told(client, made, pressure_unit="Pa"), told(client, made, pressure_unit="Torr")
    # 1 Torr is 101325/760 Pa by definition.
    assert torr["stall"]["pressure"]["value"] * 101_325 / 760 == pytest.approx(  # type: ignore[index]
        pascal["stall"]["pressure"]["value"]  # type: ignore[index]
    )
    assert torr["stall"]["cause"] == "free water"  # type: ignore[index]
    assert torr["caution"]


def test_the_job_page_says_it_in_one_line_with_the_numbers_behind_it(
    client: httpx.Client, conn: Connection
) -> None:
    made = falling(conn)
    page = plain(client.get(f"/jobs/{made.job.id}").text)
    assert re.search(r"Target of 500 micron \(66\.66 Pa\) expected at about [^;]+; 90 %: from", page)
    numbers = page[page.index('id="pull-numbers"') :]
    assert "Pumping speed now" in numbers
    assert "An estimate. It changes no verdict" in numbers
    assert plain(client.get(f"/jobs/{made.job.id}/pull-down").text).strip() in page


def test_a_stall_is_named_or_to_be_isolated(
    client: httpx.Client, conn: Connection, jobs: dict[str, Made]
) -> None:
    water = plain(client.get(f"/jobs/{wet(conn).job.id}").text)
    assert re.search(
        r"Stands above the target, near 4 \d\d0 micron \(61\d Pa\) for \d+ min: free water \(", water
    )
    assert "warm the circuit gently, never with a flame" in water
    other = plain(client.get(f"/jobs/{jobs['pulling'].job.id}").text)
    assert "isolate for five minutes to tell" in other
    assert "never open it to a stopped pump" in other


def test_the_board_says_it_short(client: httpx.Client, conn: Connection, jobs: dict[str, Made]) -> None:
    made = falling(conn)
    rows = {row["job"]: row for row in client.get("/api/v1/board").json()}
    assert rows[made.job.id]["pull_down"]["at"] == told(client, made)["expected_at"]
    assert rows[jobs["pulling"].job.id]["pull_down"]["word"].endswith("isolate to tell")
    assert rows[jobs["holding"].job.id]["pull_down"] is None
    page = plain(client.get("/").text)
    row = page[page.index(f'data-job="{made.job.id}"') :]
    assert re.search(r"target in about \d+ min", row[: row.index("</tr>")])


def test_it_is_gone_once_another_phase_runs(client: httpx.Client, conn: Connection) -> None:
    made = falling(conn)
    opened = NOON_US - 7 * MINUTE
    scene = Scene(conn, NOON_US)
    scene.phases(
        made,
        Phase(PhaseKind.PULL_DOWN, opened, NOON_US, 1e5, 100, 100),
        Phase(PhaseKind.HOLD, NOON_US, None, 100),
    )
    assert pull_downs.running(conn, made.job.id) is None
    assert told(client, made) is None
    assert "pull-down-title" not in client.get(f"/jobs/{made.job.id}").text


def test_breaks_are_counted(client: httpx.Client, conn: Connection) -> None:
    made = falling(conn)
    conn.execute("UPDATE procedure SET breaks = 2 WHERE id = %s", (made.job.procedure_id,))
    opened = NOON_US - 7 * MINUTE
    scene = Scene(conn, NOON_US)
    scene.phases(
        made,
        Phase(PhaseKind.PULL_DOWN, opened - 90 * MINUTE, opened - 60 * MINUTE, 1e5, 200, 200),
        Phase(PhaseKind.BROKEN, opened - 60 * MINUTE, opened, 200, 1e5),
    )
    assert client.get(f"/api/v1/jobs/{made.job.id}").json()["breaks"] == {"done": 1, "asked": 2}
    page = client.get(f"/jobs/{made.job.id}").text
    assert "Breaks with gas, each pumped down anew: 1 of 2 that the procedure asks for." in page


# Pump and hose -------------------------------------------------------------------------------------------

RIG = Rig(2.83e-3, 2.0, 6.35e-3, 1.5)


def rigged(conn: Connection) -> Made:
    """A job that is pumped by a good pump behind a narrow hose, as written down."""
    with conn.transaction():
        scene = Scene(conn, NOON_US)
        opened = NOON_US - 7 * MINUTE
        made = scene.job("Sugar works", "Crystalliser", opened)
        curve = hose(scene, opened, NOON_US)
        scene.readings(made, curve)
        scene.phases(made, Phase(PhaseKind.PULL_DOWN, opened, None, 1e5, None, curve[-1][1]))
        scene.estimated(made, curve, Known.of(RIG, 0.04, None), RIG)
        return made


def test_the_speed_is_told_against_the_rating_and_what_the_hose_explains(
    client: httpx.Client, conn: Connection
) -> None:
    said = told(client, rigged(conn))
    assert said["pump"] == {
        "speed": {"value": 2.83e-3, "unit": "m³/s"},
        "ultimate": {"value": 2.0, "unit": "Pa"},
    }
    assert said["hose"] == {"bore": {"value": 6.35e-3, "unit": "m"}, "length": {"value": 1.5, "unit": "m"}}
    now: dict[str, Any] = said["speed_now"]  # type: ignore[assignment]
    assert now["speed_low"]["value"] < now["speed"]["value"] < now["speed_high"]["value"]
    assert now["share_of_rating"] == pytest.approx(now["speed"]["value"] / 2.83e-3)
    assert now["share_of_explained"] == pytest.approx(now["speed"]["value"] / now["explained"]["value"])
    # 6.35 mm and 1.5 m pass 0.195 l/s at a mean of 133.3 Pa (trade page), which is half of it at the gauge.
    assert 0.03e-3 < now["explained"]["value"] < 0.2e-3
    sentence = str(said["evidence"][0])  # type: ignore[index]
    assert re.search(
        r"^Effective pumping speed at .* \(90 % between .*\), .* % of the pump's rating", sentence
    )
    assert "the hose decides, a wider or shorter one pulls faster" in sentence


def test_speeds_and_hoses_go_with_the_unit_of_volume(client: httpx.Client, conn: Connection) -> None:
    made = rigged(conn)
    feet, litres = told(client, made, volume_unit="ft3"), told(client, made, volume_unit="L")
    # A foot is 0.3048 m by definition.
    speed: dict[str, Any] = feet["pump"]["speed"]  # type: ignore[index]
    assert speed == {"value": pytest.approx(2.83e-3 * 60 / 0.3048**3), "unit": "cfm"}
    assert feet["hose"] == {
        "bore": {"value": pytest.approx(0.25), "unit": "in"},
        "length": {"value": pytest.approx(1.5 / 0.3048), "unit": "ft"},
    }
    assert litres["pump"]["speed"] == {"value": pytest.approx(2.83), "unit": "L/s"}  # type: ignore[index]
    assert litres["hose"]["bore"] == {"value": pytest.approx(6.35), "unit": "mm"}  # type: ignore[index]


def test_the_job_page_shows_pump_and_hose_and_asks_for_what_is_missing(
    client: httpx.Client, conn: Connection
) -> None:
    page = html.unescape(plain(client.get(f"/jobs/{rigged(conn).job.id}").text))
    numbers = page[page.index('id="pull-numbers"') :]
    assert "2.83 L/s" in numbers
    assert "6.35 mm × 1.5 m" in numbers
    assert re.search(
        r"90 % between [\d.]+ L/s and [\d.]+ L/s; \d+ % of the pump's rating; \d+ % of what", numbers
    )
    assert "enter them" not in numbers
    bare = falling(conn)
    page = html.unescape(plain(client.get(f"/jobs/{bare.job.id}").text))
    assert "No pump's rating and no hose are written down" in page
    assert f'href="/jobs/{bare.job.id}/setup#hose"' in page


def test_pump_and_hose_of_a_job_are_given_and_taken_away_by_json(
    client: httpx.Client, conn: Connection
) -> None:
    address = f"/api/v1/jobs/{falling(conn).job.id}"
    given = {
        "pump": {"speed": {"value": 6, "unit": "CFM"}, "ultimate": {"value": 15, "unit": "micron"}},
        "hose": {"bore": {"value": 10, "unit": "mm"}, "length": {"value": 5, "unit": "ft"}},
    }
    changed = client.patch(address, json=given, params={"volume_unit": "ft3", "pressure_unit": "micron"})
    assert changed.status_code == 200, changed.text
    assert changed.json()["pump"] == {
        "speed": {"value": pytest.approx(6), "unit": "cfm"},
        "ultimate": {"value": pytest.approx(15), "unit": "micron"},
    }
    assert changed.json()["hose"]["length"] == {"value": pytest.approx(5), "unit": "ft"}
    gone = client.patch(address, json={"pump": None, "hose": None}).json()
    assert (gone["pump"], gone["hose"]) == (None, None)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"pump": {"speed": {"value": 6, "unit": "cfh"}}}, "pump.speed.unit"),
        ({"pump": {"speed": {"value": 0, "unit": "cfm"}}}, "pump"),
        ({"pump": {"speed": {"value": 1e9, "unit": "cfm"}}}, "pump"),
        ({"hose": {"bore": {"value": 2, "unit": "m"}, "length": {"value": 1, "unit": "m"}}}, "hose"),
    ],
)
def test_a_pump_or_hose_that_cannot_be_is_refused_at_its_field(
    client: httpx.Client, jobs: dict[str, Made], change: dict[str, object], field: str
) -> None:
    answer = client.patch(f"/api/v1/jobs/{jobs['pulling'].job.id}", json=change)
    assert answer.status_code == 422
    assert [error["field"] for error in answer.json()["errors"]] == [field]


def test_the_forms_take_pump_and_hose_and_show_them_again(
    api: Serving, client: httpx.Client, conn: Connection
) -> None:
    made = falling(conn)
    path = f"/jobs/{made.job.id}/setup"
    form = {
        "title": "Ice maker", "site_id": str(made.job.site_id), "circuit_id": str(made.job.circuit_id),
        "procedure_id": str(made.job.procedure_id), "start": "2026-05-28T18:00:00", "note": "",
        "pump": "6 cfm", "ultimate": "", "hose": "10 mm x 1.5 m",
    }  # fmt: skip
    origin = {"Origin": api.address}
    bad = client.post(path, data={**form, "hose": "10 mm"}, headers=origin)
    assert bad.status_code == 422
    assert "is no bore and length; write it like" in bad.text
    assert client.post(path, data=form, headers=origin).status_code == 303
    page = client.get(path).text
    assert 'value="6 cfm"' in page
    assert 'value="10 mm x 1.5 m"' in page
    row = conn.execute("SELECT hose_bore_m, hose_length_m FROM job WHERE id = %s", (made.job.id,)).fetchone()
    assert row == {"hose_bore_m": pytest.approx(0.01), "hose_length_m": 1.5}
    # A form without these fields leaves them.
    short = {name: value for name, value in form.items() if name not in ("pump", "ultimate", "hose")}
    assert client.post(path, data=short, headers=origin).status_code == 303
    assert 'value="10 mm x 1.5 m"' in client.get(path).text


def test_a_registered_pump_has_its_rating_by_json_and_by_table(
    client: httpx.Client, conn: Connection
) -> None:
    made = falling(conn)
    gateway = made.gauge.gateway_id
    rating = {"speed": {"value": 10, "unit": "m3/h"}}
    new = {"gateway_id": gateway, "name": "p9", "role": "pump", "pump": rating}
    pump = client.post("/api/v1/instruments", json=new)
    assert pump.status_code == 201, pump.text
    assert pump.json()["pump"] == {
        "speed": {"value": pytest.approx(10 / 3600), "unit": "m³/s"},
        "ultimate": None,
    }
    name = conn.execute("SELECT name FROM gateway WHERE id = %s", (gateway,)).fetchone()
    assert name is not None
    table = f"gateway,name,role,speed,ultimate\n{name['name']},p9,pump,170 l/min,15 micron\n"
    headers = {"Content-Type": "text/csv"}
    answer = client.post("/api/v1/instruments/import", content=table, headers=headers)
    assert answer.status_code == 200, answer.text
    assert answer.json()["rows"][0]["changes"] == {
        "speed": ["10 m3/h", "170 l/min"],
        "ultimate": ["", "15 micron"],
    }
    refused = client.patch(f"/api/v1/instruments/{made.gauge.id}", json={"pump": rating})
    assert refused.status_code == 422
    assert refused.json()["detail"] == "Only a pump has this; the role is gauge."


# Kept up by readings only --------------------------------------------------------------------------------


def test_an_estimate_without_readings_tells_no_time_and_since_when_it_is_not_kept_up(
    api: Serving, client: httpx.Client, conn: Connection
) -> None:
    clock = api.clock
    made = falling(conn)
    assert told(client, made)["unsupported_since"] is None
    assert told(client, made)["expected_at"] is not None
    clock.us = NOON_US + 5 * MINUTE
    said = told(client, made)
    last = said["as_of"]
    assert said["unsupported_since"] == last
    assert [said[name] for name in ("expected_at", "earliest_at", "latest_at")] == [None, None, None]
    assert "Find out why nothing comes" in str(said["advice"])
    assert said["caution"]
    page = plain(html.unescape(client.get(f"/jobs/{made.job.id}").text))
    assert re.search(
        r"No readings since [^:]*\d:\d\d[^:]*: this is not kept up\. Last said: Target of 500", page
    )
    assert "not kept up for 5 min" in page
    assert "Target expected" not in page
    row = next(row for row in client.get("/api/v1/board").json() if row["job"] == made.job.id)
    assert row["state"]["key"] == "silent"
    assert row["pull_down"] == {"as_of": last, "unsupported_since": last, "at": None, "word": ""}
    board = plain(html.unescape(client.get("/").text))
    board = board[board.index(f'data-job="{made.job.id}"') :]
    assert "not kept up for 5 min" in board[: board.index("</tr>")]
    # It stands again once readings have come and it was made anew.
    scene = Scene(conn, clock.now_us())
    curve = hose(scene, NOON_US - 7 * MINUTE, clock.now_us())
    scene.readings(made, curve)
    scene.estimated(made, curve)
    assert told(client, made)["unsupported_since"] is None
    assert told(client, made)["expected_at"] is not None


def test_an_estimate_that_is_not_made_anew_while_readings_come_is_not_kept_up(
    api: Serving, client: httpx.Client, conn: Connection
) -> None:
    clock = api.clock
    made = falling(conn)
    clock.us = NOON_US + 20 * MINUTE
    Scene(conn, clock.now_us()).readings(made, [(clock.now_us() - US, 60.0)])
    said = told(client, made)
    assert said["unsupported_since"] == said["as_of"]
    assert said["advice"] is None
    page = plain(client.get(f"/jobs/{made.job.id}/pull-down").text)
    assert re.search(r"Not made anew since [^:]*\d:\d\d", page)


def test_a_gauge_that_was_taken_to_another_circuit_leaves_no_estimate_that_stands(
    client: httpx.Client, conn: Connection
) -> None:
    made = falling(conn)
    conn.execute("UPDATE assignment SET until = %s WHERE job_id = %s", (to_datetime(NOON_US), made.job.id))
    said = told(client, made)
    assert said["unsupported_since"] == said["as_of"]
    assert said["expected_at"] is None
