"""Every page that the app has keeps the rules of WCAG 2.2 AA that a program can check, for every role.

The rules are axe-core's (Deque Systems), which we did not write. What only people can judge it leaves open.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page

from api.app import create_app
from api.config import ApiConfig
from api.document import document, rights_by_route
from api.gate import COOKIE
from api.permissions import ANYBODY
from model.clock import HandClock, to_datetime
from model.rights import RIGHTS, Right, Role
from store import follows, links, notes, people, sessions
from store.database import Connection
from store.quarantine import Refusal, Room, put
from tests.api.rigs import rig
from tests.api.scene import Made, Scene
from tests.api.serving import NOON_US, Serving

pytestmark = [pytest.mark.browser, pytest.mark.once]

AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"]
RUN = """async ([tags, only]) => {
    const options = only
        ? { runOnly: { type: "rule", values: only } }
        : { runOnly: { type: "tag", values: tags }, rules: { "target-size": { enabled: true } } };
    const found = await axe.run(document, { ...options, resultTypes: ["violations"] });
    return found.violations.map((one) => [one.id, one.nodes.map((node) =>
        node.html.slice(0, 160) + " | " + node.failureSummary.replaceAll("\\n", " ").slice(0, 200))]);
}"""
COLOURS = ["color-contrast", "link-in-text-block"]
"""What differs between light and dark."""
ROLES = (Role.DISPATCHER, Role.TECHNICIAN, Role.ADMINISTRATOR)
NOW = to_datetime(NOON_US)


@dataclass(frozen=True, slots=True)
class World:
    """Something of every kind for pages to show."""

    jobs: Mapping[str, Made]
    opening: Made
    plan: int
    refused: int
    person: int
    invited: str


@pytest.fixture
def world(site: Serving, conn: Connection, scene: Scene, jobs: dict[str, Made]) -> World:
    opening = rig(scene).made
    with site.client() as client:
        plan = client.post("/api/v1/hold-plans", json={"job_id": opening.job.id, "report_at": "06:30"})
    assert plan.status_code == 201, plan.text
    refusal = Refusal(NOON_US, "hf/1/gw-new/g1/data", "gw-new", "unknown-gateway", "No such gateway.", b"[]")
    put(conn, [refusal], Room(10**8))
    row = conn.execute("SELECT max(id) AS id FROM quarantine").fetchone()
    assert row is not None
    people.register(conn, "dora", "Dora Lind", Role.DISPATCHER, NOW, None)
    whom = people.register(conn, "adele", "Adele Roth", Role.ADMINISTRATOR, NOW, None)
    for one in people.everybody(conn):
        follows.set_follow(conn, one.id, jobs["pulling"].job.id, target=True, over=True)
    notes.add(conn, jobs["leak"].job.id, whom.id, NOW, "Flare nut at the filter drier looked oily.")
    invited = links.make(conn, people.by_login(conn, "dora").id, NOW, None)
    return World(jobs, opening, plan.json()["id"], int(row["id"]), whom.id, invited.token)


def addresses(world: World) -> dict[str, list[str]]:
    """What to ask for each address with something in braces; the others are asked for as they are."""
    every = [str(made.job.id) for made in world.jobs.values()]
    leak, opening = every[0], world.opening
    assert opening.valve is not None
    valve = f"/jobs/{opening.job.id}/valve/{opening.valve.id}"
    return {
        "/jobs/{job_id}": [f"/jobs/{one}" for one in every] + [f"/jobs/{opening.job.id}"],
        "/jobs/{job_id}/site": [f"/jobs/{one}/site" for one in every],
        "/jobs/{job_id}/judgement": [f"/jobs/{leak}/judgement"],
        "/jobs/{job_id}/pull-down": [f"/jobs/{leak}/pull-down"],
        "/jobs/{job_id}/preflight": [f"/jobs/{leak}/preflight", f"/jobs/{opening.job.id}/preflight"],
        "/jobs/{job_id}/preflight/now": [f"/jobs/{leak}/preflight/now"],
        "/jobs/{job_id}/valve/{instrument_id}/travel": [f"{valve}/travel"],
        "/jobs/{job_id}/site/now": [f"/jobs/{leak}/site/now"],
        "/jobs/{job_id}/site/rig": [f"/jobs/{leak}/site/rig"],
        "/jobs/{job_id}/site/find": [f"/jobs/{leak}/site/find"],
        "/jobs/{job_id}/site/gauge": [f"/jobs/{leak}/site/gauge"],
        "/jobs/{job_id}/site/volume": [f"/jobs/{leak}/site/volume"],
        "/jobs/{job_id}/records": [f"/jobs/{leak}/records"],
        "/jobs/{job_id}/setup": [f"/jobs/{leak}/setup", f"/jobs/{world.jobs['walk-up'].job.id}/setup"],
        "/i/{gateway}/{name}": ["/i/gw-kestrelcoldstore/g1"],
        "/jobs/{job_id}/valve": [f"/jobs/{leak}/valve"],
        "/jobs/{job_id}/valve/{instrument_id}/plan": [f"{valve}/plan"],
        "/jobs/{job_id}/valve/{instrument_id}/{action}": [f"{valve}/close", f"{valve}/open"],
        "/jobs/{job_id}/plan/{plan_id}": [f"/jobs/{opening.job.id}/plan/{world.plan}"],
        "/mornings/{day}": ["/mornings/2026-05-29", "/mornings/2026-01-01"],
        "/invitation/{token}": [f"/invitation/{world.invited}", "/invitation/none"],
        "/setup/people/{person_id}": [f"/setup/people/{world.person}"],
        "/setup/import/{kind}": ["/setup/import/site", "/setup/import/instrument"],
        "/setup/sites/{number}": ["/setup/sites/1"],
        "/setup/sites/{number}/opening": [f"/setup/sites/{opening.job.site_id}/opening"],
        "/setup/circuits/{number}": ["/setup/circuits/1"],
        "/setup/gateways/{number}": ["/setup/gateways/1"],
        "/setup/instruments/{number}": ["/setup/instruments/1"],
        "/setup/procedures/{number}": ["/setup/procedures/1"],
        "/setup/refused/{number}": [f"/setup/refused/{world.refused}"],
        "/setup/refused/{number}/raw": [f"/setup/refused/{world.refused}/raw"],
    }


def routes() -> dict[str, list[str]]:
    """Path and rights of everything that is asked for with GET and is none of the documented operations."""
    app = create_app(ApiConfig("host=/nowhere"), HandClock(0))
    documented = document(app)["paths"]
    return {
        path: rights
        for (method, path), rights in rights_by_route(app).items()
        if method == "GET" and path not in documented
    }


def visits(world: World, role: Role) -> Iterator[str]:
    """What somebody of a role can look at, and two addresses at which they are refused."""
    known = addresses(world)
    for path, rights in routes().items():
        if all(right == ANYBODY or right in RIGHTS[role] for right in rights):
            assert "{" not in path or path in known, f"{path}: say in `addresses` what to ask for"
            yield from known.get(path, [path])
    yield "/jobs/999999"
    if Right.PEOPLE not in RIGHTS[role]:
        yield "/setup/people"


def look_at(page: Page, colours: Callable[[str], None]) -> list[Any]:
    """What axe finds on a page, in light and dark."""
    page.evaluate("() => window.axe !== undefined") or page.evaluate(AXE.read_text())
    colours("light")
    found = page.evaluate(RUN, [TAGS, None])
    colours("dark")
    return [*found, *page.evaluate(RUN, [TAGS, COLOURS])]


def settle(page: Page) -> None:
    """Wait until a page has what its scripts bring."""
    page.wait_for_function(
        """() => (!document.querySelector("#plot") || document.querySelector("#plot[data-drawn]"))
            && (!document.querySelector("#told") || document.querySelector("#told[data-asked]"))
            && document.getElementById("summary")?.textContent !== "" """
    )


def enter(context: BrowserContext, site: Serving, conn: Connection, role: Role) -> None:
    """Log in as somebody of a role."""
    whom = next(one for one in people.everybody(conn) if one.role == role)
    token = sessions.begin(conn, whom.id, NOW, NOW + timedelta(days=1))
    context.add_cookies([{"name": COOKIE, "value": token, "url": site.address}])


@pytest.fixture
def axe() -> None:
    if not AXE.exists():
        pytest.skip("axe-core is not installed: run npm ci in tests/browser")


@pytest.fixture
def context(browser: Browser, site: Serving, axe: None, width: int) -> Iterator[BrowserContext]:
    made = browser.new_context(
        base_url=site.address,
        viewport={"width": width, "height": 900},
        reduced_motion="reduce",
        service_workers="block",
    )
    made.set_default_timeout(20_000)
    yield made
    made.close()


@pytest.mark.timeout(600)
@pytest.mark.parametrize("width", [390, 1280])
def test_no_page_breaks_a_rule_for_anybody(
    context: BrowserContext, site: Serving, conn: Connection, world: World
) -> None:
    seen: set[str] = set()
    wrong: dict[str, list[Any]] = {}
    looked = 0
    for role in ROLES:
        context.clear_cookies()
        enter(context, site, conn, role)
        page = context.new_page()
        looked_at_head = False

        def colours(scheme: Any, page: Page = page) -> None:
            page.emulate_media(color_scheme=scheme)

        for address in visits(world, role):
            answer = context.request.get(address, max_redirects=5)
            if "<!doctype html>" not in answer.text()[:200].lower():
                continue  # a part of a page, which is looked at in its page
            # What another role saw just so is not looked at again; the head of its pages is, on its first.
            same = answer.text().partition("<main")[2]
            if same in seen and looked_at_head:
                continue
            looked_at_head = True
            seen.add(same)
            page.goto(address)
            settle(page)
            looked += 1
            broken = look_at(page, colours)
            if broken:
                wrong[f"{role} {address}"] = broken
        page.close()
    assert not wrong, "\n".join(f"{where}: {what}" for where, what in wrong.items())
    assert looked > 80


@pytest.mark.parametrize("width", [390])
def test_what_breaks_a_rule_is_found(
    context: BrowserContext, site: Serving, conn: Connection, world: World
) -> None:
    enter(context, site, conn, Role.DISPATCHER)
    page = context.new_page()
    page.goto("/alerts")
    page.evaluate("""() => document.querySelector("main").insertAdjacentHTML("beforeend",
        '<input name="bare"><p style="color:#999;background:#aaa">faint</p>'
        + '<button style="width:9px;height:9px;padding:0;min-height:0">x</button>'
        + '<button style="width:9px;height:9px;padding:0;min-height:0">y</button>')""")
    found = {name for name, _ in look_at(page, lambda scheme: page.emulate_media(color_scheme=scheme))}  # type: ignore[arg-type]
    assert found >= {"label", "color-contrast", "target-size"}
