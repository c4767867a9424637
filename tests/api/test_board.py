"""The board: what a job's state is called, and which row comes first."""

from __future__ import annotations

import json
from typing import Any

import httpx
import pytest

from api.board import trend_path, trend_y
from api.figures import Figures
from api.words import duration
from model.clock import US, to_datetime
from store import alerts
from store.database import Connection
from tests.api.scene import MINUTE, Made, Scene, micron
from tests.api.serving import LOGIN, NOON_US, Serving


def board(client: httpx.Client) -> list[dict[str, Any]]:
    """The rows in their order."""
    answer = client.get("/api/v1/board")
    assert answer.status_code == 200, answer.text
    rows: list[dict[str, Any]] = answer.json()
    assert [row["order"] for row in rows] == sorted(row["order"] for row in rows)
    return rows


def row_of(client: httpx.Client, made: Made) -> dict[str, Any]:
    """The row of a job."""
    return next(row for row in board(client) if row["job"] == made.job.id)


def test_the_most_urgent_job_is_on_top(client: httpx.Client, jobs: dict[str, Made]) -> None:
    names = {made.job.id: name for name, made in jobs.items()}
    assert [(names[row["job"]], row["state"]["key"]) for row in board(client)] == [
        ("leak", "failed"),
        ("wet", "inconclusive"),
        ("late", "awaiting-readings"),
        ("holding", "holding"),
        ("pulling", "pulling-down"),
        ("walk-up", "pulling-down"),
        ("tight", "finished"),
        ("planned", "planned"),
    ]


def test_an_acknowledged_alert_makes_room_for_one_that_nobody_took(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    person = conn.execute("SELECT id FROM person WHERE login = %s", (LOGIN,)).fetchone()
    assert person is not None
    alerts.acknowledge(conn, jobs["leak"].alert_id or 0, person["id"], "", NOON_US)
    assert [row["job"] for row in board(client)[:2]] == [jobs["wet"].job.id, jobs["leak"].job.id]
    assert row_of(client, jobs["leak"])["alert"]["acknowledged"]


def test_a_closed_job_leaves_the_board(client: httpx.Client, jobs: dict[str, Made], conn: Connection) -> None:
    number = jobs["tight"].job.id
    conn.execute("UPDATE job SET state = 'closed', closed_at = now() WHERE id = %s", (number,))
    assert number not in [row["job"] for row in board(client)]


def test_a_job_closed_within_a_day_stands_beneath_the_board(
    api: Serving, client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    made = jobs["tight"].job
    closed_at = to_datetime(api.clock.now_us() - 3600 * US)
    conn.execute("UPDATE job SET state = 'closed', closed_at = %s WHERE id = %s", (closed_at, made.id))
    beneath = client.get("/").text.split('id="closed"')[1]
    assert f'/jobs/{made.id}">{made.title}' in beneath
    assert "Passed" in beneath
    api.clock.advance(24 * 3600)
    assert made.title not in client.get("/").text


def test_a_figure_that_is_too_old_is_not_called_live(
    api: Serving, client: httpx.Client, jobs: dict[str, Made]
) -> None:
    assert row_of(client, jobs["holding"])["figure"]["live"]
    api.clock.advance(120)
    row = row_of(client, jobs["holding"])
    assert not row["figure"]["live"]
    assert row["figure"]["pressure"]["value"] > 0
    assert row["state"]["key"] == "silent-in-hold"


def test_what_was_told_silent_is_silent(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    made = jobs["pulling"]
    conn.execute(
        "INSERT INTO track (job_id, settings, head_at, goal_at, state_at, state, written_at, silent) "
        "VALUES (%s, '', now(), now(), now(), '', now(), %s)",
        (made.job.id, [made.gauge.id]),
    )
    assert row_of(client, made)["state"]["key"] == "silent"


def test_a_reached_target_is_told_until_the_next_pull_down(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    made = jobs["pulling"]
    statement = (
        "INSERT INTO fact (job_id, kind, subject_at, happened_at, text, data) "
        "SELECT %s, 'target-reached', opened_at, opened_at + %s::interval, '', '{}' FROM job WHERE id = %s"
    )
    conn.execute(statement, (made.job.id, "-1 hour", made.job.id))
    assert row_of(client, made)["state"]["key"] == "pulling-down"
    conn.execute("DELETE FROM fact")
    conn.execute(statement, (made.job.id, "20 minutes", made.job.id))
    assert row_of(client, made)["state"]["key"] == "at-target"


def test_a_row_says_pressure_accuracy_and_cause(client: httpx.Client, jobs: dict[str, Made]) -> None:
    row = row_of(client, jobs["leak"])
    assert row["figure"]["pressure"]["unit"] == "Pa"
    assert row["figure"]["accuracy"] == 0.1
    assert row["limit"]["value"] == pytest.approx(micron(1000))
    assert row["verdict"]["word"] == "Failed"
    assert row["verdict"]["cause"] == "leak 93\u202f%"
    assert row["valve"]["key"] == "closed"
    assert row_of(client, jobs["wet"])["battery"] == {"text": "18\u202f%", "volts": None, "low": True}


def test_the_deciding_gauge_stands_for_the_job(client: httpx.Client, scene: Scene) -> None:
    made = scene.job("Harbour", "Rack", NOON_US - 30 * MINUTE)
    scene.readings(made, [(NOON_US - 5 * US, 55.0)])
    assert row_of(client, made)["figure"]["gauge"] == "gw-harbour/g1"
    assert row_of(client, made)["figure"]["pressure"] == {"value": 55.0, "unit": "Pa"}


def test_a_job_without_readings_says_so(client: httpx.Client, scene: Scene) -> None:
    row = row_of(client, scene.job("Harbour", "Rack", NOON_US))
    assert row["state"]["word"] == "No readings yet"
    assert row["figure"] is None
    assert row["trend"] is None


def test_the_trend_lifts_its_pen_over_a_gap_and_keeps_its_scale() -> None:
    path = trend_path([(0, 10.0, 10.0), (1, 100.0, 100.0), (5, 50.0, 50.0)])
    assert path.count("M") == 2
    assert path.count("L") == 1
    assert trend_y(5.0) == 30.0
    assert trend_y(5000.0) == 0.0
    assert trend_y(1e5) == 0.0
    assert trend_y(0.001) == 30.0
    # One decade is a third of the height, wherever it lies.
    assert trend_y(10.0) - trend_y(100.0) == pytest.approx(10.0, abs=0.11)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (59.9, "59 s"),
        (60, "1 min"),
        (3599, "59 min"),
        (3900, "1 h 05 min"),
        (97_200, "1 d 3 h"),
        (-5, "0 s"),
    ],
)
def test_spans_of_time_read_short(seconds: float, text: str) -> None:
    assert duration(seconds).replace("\u202f", " ").replace("\u00a0", " ") == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (1234.5, "1 230"),
        (66.661, "66.7"),
        (0.05, "0.0500"),
        (-2.0, "−2.00"),
        (999.9, "1 000"),
        (101325.0, "101 000"),
        (float("nan"), "–"),
    ],
)
def test_numbers_have_three_digits_that_count(value: float, text: str) -> None:
    assert Figures().number(value).replace("\u202f", " ") == text


def test_pressures_read_in_both_units() -> None:
    # 500 micron are 66.661 Pa (conventional millimetre of mercury, NIST SP 811).
    assert Figures().setting_text(micron(500)).replace("\u202f", " ") == "500 micron (66.66 Pa)"
    assert Figures().scientific(1.59e-3).replace("\u202f", " ") == "1.6 × 10⁻³"
    assert Figures().scientific(9.97e-4).replace("\u202f", " ") == "1.0 × 10⁻³"


def test_an_alert_that_is_over_moves_nobody_up(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    conn.execute("UPDATE alert SET state = 'cleared-unacknowledged' WHERE id = %s", (jobs["leak"].alert_id,))
    rows = board(client)
    assert [row["job"] for row in rows[:2]] == [jobs["wet"].job.id, jobs["leak"].job.id]
    assert not rows[1]["alert"]["active"]


def test_a_cause_stands_beside_a_fail_and_beside_a_pass_only_if_it_is_a_likely_leak(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    def cause(name: str, share: float, **more: float) -> str | None:
        diagnosis = json.dumps({"cause": name, "probabilities": {name: share, **more}})
        conn.execute(
            "UPDATE hold_test SET detail = jsonb_set(detail, '{diagnosis}', %s) WHERE id = %s",
            (diagnosis, jobs["tight"].hold_id),
        )
        found: str | None = row_of(client, jobs["tight"])["verdict"]["cause"]
        return found

    assert cause("moisture", 0.93) is None
    assert cause("leak", 0.69) is None
    assert cause("leak", 0.7) == "leak suspected 70\u202f%"
    # A leak, alone or with moisture [rule of the hold test].
    assert cause("unclear", 0.0, **{"leak": 0.4, "leak+moisture": 0.4}) == "leak suspected 80\u202f%"
