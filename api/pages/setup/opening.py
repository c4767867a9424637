"""The page that states the risks of opening from afar, and where an administrator turns it on for a site."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from api.context import Ctx
from api.pages import render
from api.pages.after import see
from api.permissions import MayTurnOnOpening
from api.routes.places import Number, by_of
from model.errors import BadInput, NotFound
from store import audit, openings
from store.changing import row_of

router = APIRouter()

UNDERSTOOD = "Say that the risks are understood and the valves proved."


async def read_typed(request: Request) -> tuple[bool, bool, list[int]]:
    """Whether it shall be on, whether that was understood, and who may."""
    form = await request.form(max_fields=2000)
    named = [int(v) for v in form.getlist("openers") if isinstance(v, str) and v.isdecimal() and len(v) < 10]
    return form.get("allowed") == "yes", form.get("understood") == "yes", named


@router.get("/setup/sites/{number}/opening")
def opening(request: Request, ctx: Ctx, person: MayTurnOnOpening, number: Number) -> Response:
    """What holds at a site, and the risks."""
    return _page(request, ctx, number)


@router.post("/setup/sites/{number}/opening")
def change_opening(
    request: Request,
    ctx: Ctx,
    person: MayTurnOnOpening,
    number: Number,
    typed: Annotated[tuple[bool, bool, list[int]], Depends(read_typed)],
) -> Response:
    """Turn it on or off."""
    allowed, understood, openers = typed
    try:
        with ctx.database() as conn:
            if allowed and not understood:
                row_of(conn, "site", number)
                raise BadInput(UNDERSTOOD, field="understood")
            openings.change(conn, number, by_of(ctx, person), allowed=allowed, openers=openers)
    except NotFound:
        raise
    except BadInput as error:
        return _page(request, ctx, number, error, openers, allowed=allowed)
    return see(f"/setup/sites/{number}/opening")


def _page(
    request: Request,
    ctx: Ctx,
    number: int,
    error: BadInput | None = None,
    chosen: list[int] | None = None,
    *,
    allowed: bool = False,
) -> Response:
    with ctx.database() as conn:
        site = row_of(conn, "site", number)
        known = openings.of_site(conn, number)
        people = openings.who_may_be_named(conn)
        history = [row for row in audit.history(conn, f"site:{number}") if row["act"] == "change-opening"]
    return render(
        request,
        "setup/opening.html",
        error.status if error else 200,
        site=site,
        opening=known,
        allowed=allowed if error else known.allowed,
        chosen={one for one, _ in known.openers} if chosen is None else set(chosen),
        people=people,
        history=history,
        problem=str(error) if error else "",
        field=error.field if error else None,
    )
