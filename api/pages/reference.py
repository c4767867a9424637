"""The API's description for people, made from its OpenAPI document."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import JSONResponse, Response

from api.pages import render
from api.permissions import LOOK

router = APIRouter()


@router.get("/api/v1/openapi.json", dependencies=[LOOK])
def openapi(request: Request) -> Response:
    """The OpenAPI document."""
    return JSONResponse(request.app.openapi())


@router.get("/api/v1/docs", dependencies=[LOOK])
def reference(request: Request) -> Response:
    """Every address with its parameters."""
    document: dict[str, Any] = request.app.openapi()
    operations = [
        {"path": path, "method": method.upper(), **operation}
        for path, methods in document["paths"].items()
        for method, operation in methods.items()
    ]
    tags = list(dict.fromkeys(operation["tags"][0] for operation in operations))
    return render(request, "reference.html", document=document, operations=operations, tags=tags)
