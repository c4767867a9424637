"""Which jobs are mine, and that a page never says more than is known."""

from __future__ import annotations

from datetime import timedelta

import httpx

from model.clock import US, to_datetime
from model.reading import Quantity, Valve
from store import follows, mine, people
from store.database import Connection
from tests.api.scene import HOUR, Made, Scene
from tests.api.serving import LOGIN, NOON_US, TECHNICIAN, Serving

NOW = to_datetime(NOON_US)


def numbers(api: Serving, conn: Connection, login: str = LOGIN) -> list[int]:
    return mine.jobs(conn, people.by_login(conn, login).id, NOW - timedelta(days=1))


def test_a_job_is_mine_that_i_opened_follow_or_that_my_crew_does(
    api: Serving, client: httpx.Client, conn: Connection, scene: Scene
) -> None:
    made = [scene.job(name, "Rack", NOON_US - HOUR) for name in ("Quay", "Mill", "Dock")]
    other = scene.job("Elsewhere", "Rack", NOON_US - HOUR, walk_up=True)
    me = people.by_login(conn, LOGIN).id
    assert numbers(api, conn) == []
    new = {
        "title": "By me",
        "site_id": other.job.site_id,
        "procedure_id": other.job.procedure_id,
        "start": NOW.isoformat(),
    }
    answer = client.post("/api/v1/jobs", json=new)
    assert answer.status_code == 201, answer.text
    follows.set_follow(conn, me, other.job.id, target=True, over=True)
    assert numbers(api, conn) == [other.job.id, answer.json()["id"]]
    mine.join(conn, me, scene.crew.id)
    assert set(numbers(api, conn)) == {other.job.id, answer.json()["id"], *(one.job.id for one in made)}
    mine.join(conn, me, None)
    assert len(numbers(api, conn)) == 2
    assert numbers(api, conn, TECHNICIAN) == []


def test_a_job_that_was_closed_long_ago_is_mine_no_more_but_found(
    api: Serving, client: httpx.Client, conn: Connection, scene: Scene
) -> None:
    made = scene.job("Quay", "Rack", NOON_US - 90 * HOUR)
    me = people.by_login(conn, LOGIN).id
    mine.join(conn, me, scene.crew.id)
    conn.execute(
        "UPDATE job SET state = 'closed', closed_at = %s WHERE id = %s",
        (NOW - timedelta(days=2), made.job.id),
    )
    assert numbers(api, conn) == []
    assert made.job.title in client.get("/jobs?q=quay").text


def test_all_jobs_are_listed_page_by_page(client: httpx.Client, conn: Connection, scene: Scene) -> None:
    with conn.transaction():
        made = [scene.job(f"Site {n:02}", "Rack", NOON_US - HOUR, valve=False) for n in range(33)]
    first = client.get("/jobs").text
    assert first.count('class="glance ') == 30
    older = f"?before={made[3].job.id}"
    assert older in first
    second = client.get(f"/jobs{older}").text
    assert second.count('class="glance ') == 3


def test_a_report_of_the_pump_that_is_old_is_not_known(
    client: httpx.Client, scene: Scene, jobs: dict[str, Made]
) -> None:
    made = jobs["pulling"]
    assert made.valve is not None
    page = f"/jobs/{made.job.id}/site/now"
    scene.latest(made.valve, Quantity.VALVE, NOON_US - US, float(Valve.OPEN))
    scene.latest(made.valve, Quantity.PUMP, NOON_US - US, 0.0)
    assert 'data-step="close"' in client.get(page).text
    for what, value in ((Quantity.VALVE, float(Valve.OPEN)), (Quantity.PUMP, 0.0)):
        scene.latest(made.valve, what, NOON_US - HOUR, value)
    assert 'data-step="close"' not in client.get(page).text


def test_a_flammable_refrigerant_is_named_where_the_pump_is_run(
    client: httpx.Client, conn: Connection, jobs: dict[str, Made]
) -> None:
    made = jobs["pulling"]
    page = f"/jobs/{made.job.id}/site"
    assert "flammable" not in client.get(page).text
    conn.execute("UPDATE circuit SET refrigerant = 'R-290' WHERE id = %s", (made.job.circuit_id,))
    assert "R-290 is flammable (A3)" in client.get(page).text


def test_where_the_valve_is_to_be_closed_the_page_leads_to_its_order(
    client: httpx.Client, scene: Scene, jobs: dict[str, Made]
) -> None:
    made = jobs["pulling"]
    assert made.valve is not None
    page, order = f"/jobs/{made.job.id}/site", f"/jobs/{made.job.id}/valve/{made.valve.id}/close"
    scene.latest(made.valve, Quantity.VALVE, NOON_US - US, float(Valve.OPEN))
    scene.latest(made.valve, Quantity.PUMP, NOON_US - US, 0.0)
    assert order in client.get(page).text
    assert client.get(order).status_code == 200
    assert "/close" not in client.get(f"/jobs/{jobs['holding'].job.id}/site").text
