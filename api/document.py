"""The OpenAPI document: what FastAPI makes, and which right each operation needs."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.routing import iter_route_contexts

from api.gate import COOKIE
from api.permissions import ANYBODY, declared
from api.problems import errors_of

RIGHT = "x-right"
"""Extension of an operation: the right that it needs, a list of them, or `anybody`."""

SCHEMES: dict[str, Any] = {
    "login": {
        "type": "apiKey",
        "in": "cookie",
        "name": COOKIE,
        "description": "Set by logging in at `/login`. What the person may do follows from their role.",
    },
    "token": {
        "type": "http",
        "scheme": "bearer",
        "description": "A machine's token, made by an administrator. It may do what its scopes say, no more.",
    },
}


REFUSALS = {
    str(status): {key: value for key, value in answer.items() if key != "model"}
    for status, answer in errors_of(401, 403).items()
}
"""Answers that every operation with a right can give."""


def document(app: FastAPI) -> dict[str, Any]:
    """The document of all routes, made once.

    The right also stands as the role name in each security requirement (OpenAPI 3.1 and later, section
    "Security Requirement Object").
    """
    if app.openapi_schema is None:
        made = get_openapi(
            title=app.title,
            version=app.version,
            openapi_version=app.openapi_version,
            description=app.description,
            license_info=app.license_info,
            routes=app.routes,
        )
        made["components"]["securitySchemes"] = SCHEMES
        for (method, path), rights in rights_by_route(app).items():
            operation = made["paths"].get(path, {}).get(method.lower())
            if operation is not None and rights:
                operation[RIGHT] = rights[0] if len(rights) == 1 else rights
                open_to_all = rights == [ANYBODY]
                operation["security"] = [] if open_to_all else [{name: rights} for name in SCHEMES]
                if not open_to_all:
                    operation["responses"] = dict(sorted((REFUSALS | operation["responses"]).items()))
        app.openapi_schema = made
    return app.openapi_schema


def rights_by_route(app: FastAPI) -> dict[tuple[str, str], list[str]]:
    """What every route declares, pages too, by method and path; an empty list: nothing."""
    found: dict[tuple[str, str], list[str]] = {}
    for route in iter_route_contexts(app.routes):
        if route.methods is None:
            continue  # static files
        dependant = getattr(route, "dependant", None)
        for method in sorted(route.methods - {"HEAD"}):
            found[method, str(route.path)] = [] if dependant is None else declared(dependant)
    return found
