"""What API, job page and board say of a running pull-down."""

from __future__ import annotations

import math
import re
from datetime import datetime, timedelta

import httpx
import pytest

from analytics.core.pull_down import Known
from model.clock import US, to_datetime
from model.judgement import Phase, PhaseKind
from physics.units import MICRON_PA
from store import pull_downs
from store.database import Connection
from tests.api.scene import MINUTE, Curve, Made, Scene
from tests.api.serving import NOON_US


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
