"""Channels over which people are told: one's own, and the company's."""

from __future__ import annotations

from fastapi import APIRouter
from pydantic import Field

from api import channels as shown
from api.asked import Asked
from api.channels import ChannelView
from api.context import Context, Ctx
from api.permissions import MayTell, Oneself
from api.problems import errors_of
from api.routes.places import Number, by_of
from model.channel import Tells
from store import channels
from store.people import Person

router = APIRouter(tags=["channels"])

OWN = "What can go over it: `plans` (how my hold plans went), `mornings` (the holds of the night)."
COMPANYS = "What can go over it: `alerts`, `mornings`; over a webhook `alerts` only."


class NewChannelWish(Asked):
    """A channel to make."""

    address: str = Field(
        description="A mailbox, or an address as the documentation of apprise has it (`ntfys://…`); for the "
        "company also a webhook (`https://…`). It is not given out again unless it is a mailbox."
    )
    name: str = Field("", description="Empty: its address as it is shown.")
    tells: list[Tells] | None = Field(None, description=f"{OWN} For the company: {COMPANYS}")


class ChannelChange(Asked):
    """What shall go over it."""

    tells: list[Tells]


@router.get("/me/channels", responses=errors_of(401, 403, 503))
def list_own_channels(ctx: Ctx, person: Oneself) -> list[ChannelView]:
    """Where I am told."""
    with ctx.database() as conn:
        return shown.views(conn, person.id)


@router.post("/me/channels", status_code=201, responses=errors_of(401, 403, 409, 422, 503))
def add_own_channel(ctx: Ctx, person: Oneself, wish: NewChannelWish) -> ChannelView:
    """Add a way to me."""
    return shown.add(ctx, by_of(ctx, person), person.id, wish.address, wish.name, wish.tells)


@router.patch("/me/channels/{number}", responses=errors_of(401, 403, 404, 422, 503))
def change_own_channel(ctx: Ctx, person: Oneself, number: Number, change: ChannelChange) -> ChannelView:
    """Choose what goes over it."""
    return _change(ctx, person, number, person.id, change)


@router.post("/me/channels/{number}/test", responses=errors_of(401, 403, 404, 422, 503))
def test_own_channel(ctx: Ctx, person: Oneself, number: Number) -> ChannelView:
    """Send a test message; waits for up to ten seconds, `test` says what came of it."""
    return shown.test(ctx, person, number, person.id)


@router.post("/me/channels/{number}/go-on", responses=errors_of(401, 403, 404, 503))
def let_own_channel_go_on(ctx: Ctx, person: Oneself, number: Number) -> ChannelView:
    """Let a stopped one go on, and forget what failed."""
    return _go_on(ctx, person, number, person.id)


@router.delete("/me/channels/{number}", status_code=204, responses=errors_of(401, 403, 404, 503))
def remove_own_channel(ctx: Ctx, person: Oneself, number: Number) -> None:
    """Send nothing there any more, and forget its address."""
    _remove(ctx, person, number, person.id)


@router.get("/channels", responses=errors_of(401, 403, 503))
def list_channels(ctx: Ctx, person: MayTell) -> list[ChannelView]:
    """Where Dispatch is told."""
    with ctx.database() as conn:
        return shown.views(conn, None)


@router.post("/channels", status_code=201, responses=errors_of(401, 403, 409, 422, 503))
def add_channel(ctx: Ctx, person: MayTell, wish: NewChannelWish) -> ChannelView:
    """Add a way to Dispatch."""
    return shown.add(ctx, by_of(ctx, person), None, wish.address, wish.name, wish.tells)


@router.patch("/channels/{number}", responses=errors_of(401, 403, 404, 422, 503))
def change_channel(ctx: Ctx, person: MayTell, number: Number, change: ChannelChange) -> ChannelView:
    """Choose what goes over it."""
    return _change(ctx, person, number, None, change)


@router.post("/channels/{number}/test", responses=errors_of(401, 403, 404, 422, 503))
def test_channel(ctx: Ctx, person: MayTell, number: Number) -> ChannelView:
    """Send a test message; waits for up to ten seconds, `test` says what came of it."""
    return shown.test(ctx, person, number, None)


@router.post("/channels/{number}/go-on", responses=errors_of(401, 403, 404, 503))
def let_channel_go_on(ctx: Ctx, person: MayTell, number: Number) -> ChannelView:
    """Let a stopped one go on (a webhook that answered 410), and forget what failed."""
    return _go_on(ctx, person, number, None)


@router.delete("/channels/{number}", status_code=204, responses=errors_of(401, 403, 404, 409, 503))
def remove_channel(ctx: Ctx, person: MayTell, number: Number) -> None:
    """Send nothing there any more, and forget its address."""
    _remove(ctx, person, number, None)


def _change(
    ctx: Context, person: Person, number: int, person_id: int | None, change: ChannelChange
) -> ChannelView:
    with ctx.database() as conn:
        found = channels.own(conn, number, person_id)
        return shown.view(conn, channels.change(conn, found, change.tells, by_of(ctx, person)))


def _go_on(ctx: Context, person: Person, number: int, person_id: int | None) -> ChannelView:
    with ctx.database() as conn:
        found = channels.own(conn, number, person_id)
        return shown.view(conn, channels.go_on(conn, found, by_of(ctx, person)))


def _remove(ctx: Context, person: Person, number: int, person_id: int | None) -> None:
    with ctx.database() as conn:
        channels.remove(conn, channels.own(conn, number, person_id), by_of(ctx, person))
