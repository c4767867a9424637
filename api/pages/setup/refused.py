"""Refused messages: why, from whom, as they came; and reading them again."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from api.context import Context, Ctx
from api.pages import render
from api.pages.setup.forms import Typed
from api.permissions import MayEquip, MaySeeRefused
from api.refused import AT_ONCE, ReadAgain, read_again, shown
from api.routes.places import LARGEST_ID, Number, by_of
from api.routes.quarantine import download
from model.errors import NotFound
from store import quarantine
from store.lists import QUARANTINE
from store.quarantine import Wanted

router = APIRouter()

ON_A_PAGE = 50
STATES = {"": None, "waiting": True, "read": False}
After = Annotated[int | None, Query(ge=1, le=LARGEST_ID)]


def _asked(typed: dict[str, str]) -> dict[str, str]:
    """The filters that were chosen, as they stand in the address."""
    found = {key: typed.get(key, "").strip() for key in ("q", "reason", "gateway", "state")}
    return {key: value for key, value in found.items() if value}


def _wanted(asked: dict[str, str]) -> Wanted:
    return Wanted(
        asked.get("gateway"), asked.get("reason"), asked.get("q"), STATES.get(asked.get("state", ""))
    )


def _list(
    request: Request, ctx: Context, asked: dict[str, str], after: int | None, outcome: ReadAgain | None = None
) -> Response:
    wanted = _wanted(asked)
    with ctx.database() as conn:
        rows = QUARANTINE.page(conn, wanted.filters(), after, ON_A_PAGE + 1)
        total = QUARANTINE.count(conn, wanted.filters())
        waiting = QUARANTINE.count(conn, {**wanted.filters(), "waiting": True})
        reasons = quarantine.reasons(conn)
        strangers = quarantine.unregistered(conn)
        counted_only = quarantine.only_counted(conn, asked.get("gateway"))
    older = None
    if len(rows) > ON_A_PAGE:
        rows = rows[:ON_A_PAGE]
        older = "/setup/refused?" + urlencode({**asked, "after": rows[-1]["id"]})
    return render(
        request,
        "setup/refused.html",
        rows=rows,
        total=total,
        waiting=0 if asked.get("state") == "read" else waiting,
        reasons=reasons,
        strangers=strangers,
        counted_only=counted_only,
        asked=asked,
        older=older,
        first="/setup/refused?" + urlencode(asked) if after else None,
        outcome=outcome,
        at_once=AT_ONCE,
    )


@router.get("/setup/refused")
def refused(request: Request, ctx: Ctx, person: MaySeeRefused, after: After = None) -> Response:
    """What was refused, the newest first."""
    return _list(request, ctx, _asked(dict(request.query_params)), after)


@router.post("/setup/refused/replay")
def replay_matching(
    request: Request, ctx: Ctx, person: MaySeeRefused, also: MayEquip, typed: Typed
) -> Response:
    """Read again all that match."""
    asked = _asked(typed)
    text = typed.get("beyond", "")
    beyond = int(text) if text.isascii() and text.isdigit() and len(text) < 10 else 0
    outcome = read_again(ctx, by_of(ctx, person), _wanted(asked), None, beyond)
    return _list(request, ctx, asked, None, outcome)


def _one(request: Request, ctx: Context, number: int, outcome: ReadAgain | None = None) -> Response:
    with ctx.database() as conn:
        row = QUARANTINE.one(conn, Wanted().filters(), number)
        if row is None:
            raise NotFound(f"There is no refused message {number}.")
        raw = quarantine.raw_of(conn, number)
        owner = conn.execute("SELECT id FROM gateway WHERE name = %s", (row["gateway"],)).fetchone()
    return render(
        request,
        "setup/refused_one.html",
        item=row,
        shown=shown(raw),
        gateway_id=owner["id"] if owner else None,
        outcome=outcome,
    )


@router.get("/setup/refused/{number}")
def one_refused(request: Request, ctx: Ctx, person: MaySeeRefused, number: Number) -> Response:
    """One refused message as it came."""
    return _one(request, ctx, number)


@router.get("/setup/refused/{number}/raw")
def raw(ctx: Ctx, person: MaySeeRefused, number: Number) -> Response:
    """Its bytes, to be saved."""
    with ctx.database() as conn:
        return download(number, quarantine.raw_of(conn, number))


@router.post("/setup/refused/{number}/replay")
def replay_one(request: Request, ctx: Ctx, person: MaySeeRefused, also: MayEquip, number: Number) -> Response:
    """Read one again."""
    outcome = read_again(ctx, by_of(ctx, person), Wanted(), [number], 0)
    return _one(request, ctx, number, outcome)
