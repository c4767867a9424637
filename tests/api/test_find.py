"""One field above each list of what is set up finds in it, on the page and by the API."""

from __future__ import annotations

import html
from collections.abc import Iterator

import httpx
import pytest

from model.rights import Role
from store import people
from store.database import Connection
from tests.api.scene import HOUR, Scene
from tests.api.serving import LOGIN, NOON_US, Serving

LISTS = {
    "sites": ("quay", "Quay"),
    "circuits": ("rack q", "Rack Q"),
    "gateways": ("gw-quay", "gw-quay"),
    "instruments": ("W-QUAY/g1", "gw-quay/g1"),
    "crews": ("crew n", "Crew North"),
    "procedures": ("strict:", "Strict:"),
    "people": ("TARIK", "Tarik Brandt"),
}


@pytest.fixture
def administrator(api: Serving, conn: Connection) -> Iterator[httpx.Client]:
    """Somebody who may see every list."""
    conn.execute("UPDATE person SET role = %s WHERE login = %s", (Role.ADMINISTRATOR, LOGIN))
    assert people.by_login(conn, LOGIN).role == Role.ADMINISTRATOR
    scene = Scene(conn, NOON_US)
    for site, circuit in (("Quay", "Rack Q"), ("Mill", "Rack M"), ("100%_Hill", "Rack H")):
        scene.job(site, circuit, NOON_US - HOUR)
    with api.client() as client:
        yield client


@pytest.mark.parametrize("name", LISTS)
def test_a_list_is_narrowed_to_what_is_looked_for(administrator: httpx.Client, name: str) -> None:
    text, shown = LISTS[name]
    address = f"/setup/{name}"
    whole = html.unescape(administrator.get(address).text)
    assert shown in whole
    found = administrator.get(address, params={"q": f" {text} "})
    page = html.unescape(found.text)
    assert shown in page
    assert f'type="search" value="{text}"' in page
    assert " of " in page.split('role="status">')[1].split("<")[0]
    if name != "crews":
        others = {"sites": "Mill</a>", "circuits": "Rack M", "gateways": "gw-mill", "instruments": "gw-mill/",
                  "procedures": "Overnight:", "people": "Mara Vogt</b>"}  # fmt: skip
        assert others[name] in whole
        assert others[name] not in page
    none = administrator.get(address, params={"q": "no such thing"})
    assert none.status_code == 200
    assert "has “no such thing” in it" in html.unescape(none.text)
    assert "0 of " in none.text
    assert " yet." not in none.text.split("has “no")[1].split("<details")[0]


@pytest.mark.parametrize("name", LISTS)
def test_whatever_is_typed_is_only_text(administrator: httpx.Client, name: str) -> None:
    for text in ("\\", "' OR 1=1 --", "<b>x</b>", "x" * 4000, "%s %(q)s", "\u202e"):
        answer = administrator.get(f"/setup/{name}", params={"q": text})
        assert answer.status_code == 200, text
        assert "<b>x</b>" not in answer.text
        assert "0 of " in answer.text, text
    assert administrator.get(f"/setup/{name}?q=%00").status_code == 422
    assert administrator.get(f"/setup/{name}?q=a&q=%20").status_code == 200


def test_percent_and_underscore_mean_themselves(administrator: httpx.Client) -> None:
    for text in ("%", "_", "0%_h"):
        assert "1 of 3" in administrator.get("/setup/sites", params={"q": text}).text


@pytest.mark.parametrize(("path", "text", "n"), [
    ("sites", "quay", 1), ("circuits", "mill", 1), ("circuits", "r-448a", 3), ("gateways", "GW-M", 1),
    ("instruments", "mill", 2), ("instruments", "gauge", 3), ("crews", "north", 1),
    ("procedures", "strict:", 1),
    ("jobs", "rack q", 1), ("jobs", "crew north", 3), ("users", "tarik", 1),
    ("sites", "%", 1), ("sites", "", 3),
])  # fmt: skip
def test_the_api_finds_the_same(administrator: httpx.Client, path: str, text: str, n: int) -> None:
    answer = administrator.get(f"/api/v1/{path}", params={"q": text})
    assert len(answer.json()["items"]) == n
    if n > 1:
        # The next page goes on with what was looked for.
        first = administrator.get(f"/api/v1/{path}", params={"q": text, "limit": 1})
        assert "q=" in first.headers["Link"]
    assert administrator.get(f"/api/v1/{path}", params={"q": "no such thing"}).json()["items"] == []
