"""Every route × everybody: who has the right gets through, who has not is refused, as the table says."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Set
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.app import create_app
from api.config import ApiConfig
from api.document import RIGHT, rights_by_route
from api.gate import COOKIE, OPEN, OPEN_BELOW
from api.permissions import ANYBODY
from model.clock import HandClock, to_datetime
from model.rights import MEANING, RIGHTS, SCOPES, Right, Role
from store import people, sessions, tokens
from store.database import Connection
from tests.api.serving import NOON_US, Serving

NOW = to_datetime(NOON_US)
NUMBER = "987654"
"""Of nothing: who gets through is told that there is no such thing."""

ONLY_LOOKS = {("POST", "/api/v1/pipe-volume"), ("POST", "/setup/pipes")}
"""Routes that take more than a GET and yet change nothing: a calculator."""

Route = tuple[str, str]

pytestmark = pytest.mark.once


def routes_of_pages(document: dict[str, Any]) -> dict[Route, list[str]]:
    """What pages declare; the OpenAPI document does not have them."""
    app = create_app(ApiConfig("host=/nowhere"), HandClock(0))
    return {
        (method, path): rights
        for (method, path), rights in rights_by_route(app).items()
        if method.lower() not in document["paths"].get(path, {})
    }


def routes_of_document(document: dict[str, Any]) -> dict[Route, list[str]]:
    """What the operations of the OpenAPI document declare."""
    found = {}
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            declared = operation.get(RIGHT, [])
            found[method.upper(), path] = [declared] if isinstance(declared, str) else declared
    return found


@pytest.fixture
def routes(api: Serving) -> dict[Route, list[str]]:
    """Every route with the rights that it declares, from the document as it is served."""
    with api.client() as client:
        document = client.get("/api/v1/openapi.json").json()
    return routes_of_document(document) | routes_of_pages(document)


def ask(client: httpx.Client, route: Route) -> httpx.Response:
    """Ask with an empty body; of a stream only the beginning is read."""
    method, path = route
    address = re.sub(r"{[^}]*}", NUMBER, path)
    options: dict[str, Any] = {"headers": {"Origin": str(client.base_url).rstrip("/")}}
    if method != "GET":
        options["json" if is_for_programs(path) else "data"] = {}
    with client.stream(method, address, **options) as answer:
        if not answer.headers.get("content-type", "").startswith("text/event-stream"):
            answer.read()
        return answer


def is_for_programs(path: str) -> bool:
    return path.startswith(("/api/", "/healthz", "/readyz", "/metrics"))


def walk(client: httpx.Client, routes: dict[Route, list[str]], has: Set[Right]) -> Iterator[str]:
    """Ask every route; says what was answered otherwise than the table says."""
    for route, needed in routes.items():
        answer = ask(client, route)
        lacking = [right for right in needed if right != ANYBODY and right not in has]
        if answer.status_code == 500:
            yield f"{route}: fault"
        elif lacking and answer.status_code != 403:
            yield f"{route} needs {needed}, yet answers {answer.status_code}"
        elif not lacking and kept_out(answer, route):
            yield f"{route} needs {needed} only, yet answers {answer.status_code}: {answer.text[:200]}"
        elif lacking and not says_why(answer, route, lacking[0]):
            yield f"{route} refuses without saying why: {answer.text[:200]}"


def kept_out(answer: httpx.Response, route: Route) -> bool:
    # The login page itself answers 401 to a wrong password; logging out leads to it.
    if route[1] in ("/login", "/logout"):
        return answer.status_code == 403
    return answer.status_code in (401, 403) or answer.headers.get("location", "").startswith("/login")


def says_why(answer: httpx.Response, route: Route, lacking: str) -> bool:
    sentence = MEANING[Right(lacking)]
    if not is_for_programs(route[1]) or route[1] == "/api/v1/docs":
        sentence = sentence.replace("'", "&#39;")
    problem = answer.headers["content-type"] == "application/problem+json"
    return problem == is_for_programs(route[1]) and sentence in answer.text


def add_person(conn: Connection, role: Role) -> people.Person:
    return people.register(conn, f"walker-{role}", f"Walker {role}", role, NOW, None)


def test_every_route_declares_a_right(routes: dict[Route, list[str]]) -> None:
    silent = [route for route, needed in routes.items() if not needed]
    assert not silent, f"these routes say nothing of who may use them: {silent}"
    known = {*Right, ANYBODY}
    assert all(right in known for needed in routes.values() for right in needed)
    assert ("GET", "/") in routes
    assert ("POST", "/api/v1/jobs") in routes
    assert len(routes) > 60


def test_what_changes_something_needs_more_than_looking(routes: dict[Route, list[str]]) -> None:
    weak = {route for route, needed in routes.items() if route[0] != "GET" and needed == [Right.LOOK]}
    assert weak == ONLY_LOOKS


def test_only_what_the_gate_leaves_open_is_open_to_anybody(routes: dict[Route, list[str]]) -> None:
    open_routes = {path for (_, path), needed in routes.items() if ANYBODY in needed}
    assert open_routes == {*OPEN, *(f"{beginning}{{token}}" for beginning in OPEN_BELOW)}


@pytest.mark.parametrize("role", list(Role))
def test_each_role_gets_what_the_table_gives_it(
    api: Serving, conn: Connection, routes: dict[Route, list[str]], role: Role
) -> None:
    person = add_person(conn, role)

    def log_in(_: httpx.Request) -> None:
        # Some routes end sessions, and the walk goes on.
        token = sessions.begin(conn, person.id, NOW, NOW + timedelta(days=1))
        _.headers["cookie"] = f"{COOKIE}={token}"

    with httpx.Client(base_url=api.address, timeout=20, event_hooks={"request": [log_in]}) as client:
        wrong = list(walk(client, routes, RIGHTS[role]))
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("scope", sorted(SCOPES))
def test_a_token_gets_its_scope_of_the_api_and_no_page(
    api: Serving, conn: Connection, routes: dict[Route, list[str]], scope: Right
) -> None:
    _, secret = tokens.make(conn, f"walks with {scope}", [scope], NOW + timedelta(days=1), NOW, None)
    operations = {route: needed for route, needed in routes.items() if is_for_programs(route[1])}
    pages = routes.keys() - operations.keys()
    with api.client(None) as client:
        client.headers["Authorization"] = f"Bearer {secret}"
        wrong = list(walk(client, operations, {scope}))
        closed = [route for route in pages if ANYBODY not in routes[route]]
        wrong += [f"{route} opens to a token" for route in closed if ask(client, route).status_code != 403]
    assert not wrong, "\n".join(wrong)


def test_nobody_gets_in(api: Serving, routes: dict[Route, list[str]]) -> None:
    wrong = []
    with api.client(None) as client:
        for route, needed in routes.items():
            answer = ask(client, route)
            if ANYBODY in needed:
                fine = answer.status_code != 403 and "www-authenticate" not in answer.headers
            elif is_for_programs(route[1]):
                challenge = answer.headers.get("www-authenticate", "")
                fine = answer.status_code == 401 and challenge.startswith("Bearer")
            else:
                fine = answer.status_code == 303 and answer.headers["location"].startswith("/login")
            if not fine:
                wrong.append(f"{route}: {answer.status_code}")
    assert not wrong, "\n".join(wrong)


def test_every_role_has_what_the_one_before_has() -> None:
    roles = list(Role)
    for lower, higher in itertools.pairwise(roles):
        assert RIGHTS[lower] < RIGHTS[higher]
    assert MEANING.keys() == set(Right)


def test_no_scope_lets_a_token_give_itself_more() -> None:
    assert Right.PEOPLE not in SCOPES
    assert Right.OWN not in SCOPES


def test_the_written_table_is_the_table() -> None:
    page = (Path(__file__).parents[2] / "docs/reference/rights.md").read_text()
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")] for line in re.findall(r"^\|.*\|$", page, re.M)
    ]
    heading, written = rows[0], rows[2:]
    assert heading == ["right", "lets somebody", *Role, "token"]
    for right, (name, meaning, *marks) in zip(Right, written, strict=True):
        having = [right in RIGHTS[role] for role in Role] + [right in SCOPES]
        assert (name, meaning) == (f"`{right}`", MEANING[right])
        assert marks == ["yes" if has else "" for has in having]
