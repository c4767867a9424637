"""Errors for programs as problem details (RFC 9457), for people as a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from model.errors import BadFields, BadInput, Hindered, HoldfastError, NotFound, TooOften

MEDIA_TYPE = "application/problem+json"
FOR_PROGRAMS = ("/api/", "/healthz", "/readyz", "/metrics")
"""Paths whose errors are problem details; all others answer with a page."""


class FieldError(BaseModel):
    """What is wrong with one field of the input."""

    field: str = Field(description="Name of the field, parameter or header.")
    message: str = Field(description="What is wrong with it, in a sentence.")


class Problem(BaseModel):
    """Problem details (RFC 9457)."""

    type: str = Field("about:blank", description="about:blank: the title says what the status means.")
    title: str = Field(description="What the status means.")
    status: int = Field(description="The HTTP status.")
    detail: str = Field(description="What went wrong this time, in a sentence.")
    instance: str = Field(description="Path of the request.")
    errors: list[FieldError] = Field(default=[], description="The fields that cannot be used, if any.")


def problem(
    request: Request,
    status: int,
    detail: str,
    *,
    errors: Sequence[FieldError] = (),
    headers: Mapping[str, str] | None = None,
    extra: Mapping[str, Any] | None = None,
) -> JSONResponse:
    """A response with problem details; ``extra`` are extension members (RFC 9457, section 3.2)."""
    body = Problem(
        type="about:blank",
        title=HTTPStatus(status).phrase,
        status=status,
        detail=detail,
        instance=request.url.path,
        errors=list(errors),
    ).model_dump()
    return JSONResponse({**body, **(extra or {})}, status, dict(headers or {}), MEDIA_TYPE)


def answer(
    request: Request,
    status: int,
    detail: str,
    *,
    errors: Sequence[FieldError] = (),
    headers: Mapping[str, str] | None = None,
    extra: Mapping[str, Any] | None = None,
) -> Response:
    """An error in the form that the caller understands."""
    if request.url.path.startswith(FOR_PROGRAMS):
        return problem(request, status, detail, errors=errors, headers=headers, extra=extra)
    from api.pages import error_page

    return error_page(request, status, detail, headers)


def install(app: FastAPI) -> None:
    """Answer every error in one of the two forms."""

    @app.exception_handler(HoldfastError)
    def on_ours(request: Request, error: HoldfastError) -> Response:
        if isinstance(error, BadFields):
            errors = [FieldError(field=field, message=text) for field, text in error.errors.items()]
        else:
            field = error.field if isinstance(error, BadInput) else None
            errors = [FieldError(field=field, message=str(error))] if field else []
        headers = {"Retry-After": str(error.wait_s)} if isinstance(error, TooOften) else None
        extra = {"hindrances": error.reasons} if isinstance(error, Hindered) else None
        return answer(request, error.status, str(error), errors=errors, headers=headers, extra=extra)

    @app.exception_handler(RequestValidationError)
    def on_input(request: Request, error: RequestValidationError) -> Response:
        errors = [_field_error(item) for item in error.errors()]
        if any(item["loc"][:1] == ("path",) for item in error.errors()):
            # A number that is no number names nothing.
            return answer(request, NotFound.status, "There is nothing of that name here.")
        detail = "; ".join(f"{item.field}: {item.message}" for item in errors)
        return answer(request, BadInput.status, detail, errors=errors)

    @app.exception_handler(HTTPException)
    def on_http(request: Request, error: HTTPException) -> Response:
        detail = {
            404: "There is nothing at this address.",
            405: "This address does not take that method.",
            413: "What was sent is larger than 8 MB, the most that is taken in at once.",
        }.get(error.status_code, str(error.detail))
        return answer(request, error.status_code, detail, headers=error.headers)

    @app.exception_handler(Exception)
    def on_fault(request: Request, error: Exception) -> Response:
        # It is raised again after this answer: the server writes it to the log and closes the connection.
        detail = "Something went wrong on our side; it is in the log."
        return answer(request, 500, detail, headers={"Connection": "close"})


def _field_error(item: Mapping[str, Any]) -> FieldError:
    if item["type"] == "json_invalid":
        return FieldError(field="body", message="This is no JSON.")
    where = [str(part) for part in item["loc"] if part not in ("body", "query", "path", "header", "cookie")]
    said = "This name is not known here." if item["type"] == "extra_forbidden" else str(item["msg"])
    return FieldError(field=".".join(where) or "body", message=said)


_WHAT = {
    401: "Nobody is logged in.",
    403: "Who asks may not, or the request came from another site.",
    404: "There is nothing of that name or number.",
    409: "It exists already, or its state forbids the act.",
    413: "What was sent is larger than 8 MB.",
    422: "The input cannot be used; `errors` names the fields.",
    429: "Too many tries; `Retry-After` says when to try again.",
    503: "A part that is needed does not answer.",
}


def errors_of(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The OpenAPI description of error answers, for ``responses=``."""
    return {
        status: {
            "model": Problem,
            "description": _WHAT[status],
            "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
        }
        for status in statuses
    }
