"""Tokens for machines; for administrators."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from fastapi import APIRouter
from pydantic import AwareDatetime, BaseModel, Field

from api.asked import Asked
from api.context import Ctx
from api.paging import Page, Paged
from api.permissions import MayKeepPeople
from api.problems import errors_of
from model.rights import SCOPES, Right
from store import tokens
from store.tokens import Token

router = APIRouter(tags=["tokens"])


class NewToken(Asked):
    """A token to make."""

    name: str = Field(description="What it is for; unique among those that are not revoked.")
    scopes: list[Right] = Field(
        description="What it may do: of " + ", ".join(right for right in Right if right in SCOPES) + "."
    )
    expires_at: AwareDatetime = Field(description="When it ends: a year ahead at most.")


class TokenView(BaseModel):
    """A machine's token."""

    id: int
    name: str
    short: str = Field(description="How the token begins, to recognise it by.")
    scopes: list[Right]
    made_by: str | None = Field(description="Name of who made it; null: the command line.")
    created_at: datetime
    expires_at: datetime
    last_used_at: datetime | None = Field(description="To the minute.")
    revoked_at: datetime | None
    state: Literal["works", "expired", "revoked"]


class TokenMade(TokenView):
    """A token as it is sent, which is shown this once."""

    token: str = Field(description="Send it as `Authorization: Bearer …`. Only a hash is kept; note it now.")


@router.get("/tokens", responses=errors_of(401, 403, 422, 503))
def list_tokens(ctx: Ctx, person: MayKeepPeople, paging: Paged) -> Page[TokenView]:
    """Tokens, the newest first, those that ended too."""
    now = ctx.now()
    with ctx.database() as conn:
        return paging.page(conn, tokens.TOKENS, {}, lambda row: view(tokens.from_row(row), now))


@router.post("/tokens", status_code=201, responses=errors_of(401, 403, 409, 422, 503))
def make_token(ctx: Ctx, person: MayKeepPeople, new: NewToken) -> TokenMade:
    """Make a token. The answer holds the token itself, which is shown this once."""
    now = ctx.now()
    with ctx.database() as conn:
        made, secret = tokens.make(conn, new.name, new.scopes, new.expires_at, now, person.id)
    return TokenMade(**view(made, now).model_dump(), token=secret)


@router.delete("/tokens/{token_id}", responses=errors_of(401, 403, 404, 503))
def revoke_token(ctx: Ctx, person: MayKeepPeople, token_id: int) -> TokenView:
    """Revoke a token: it opens nothing from now on. It stays in the list."""
    now = ctx.now()
    with ctx.database() as conn:
        tokens.revoke(conn, token_id, now, person.id)
        return view(tokens.by_id(conn, token_id), now)


def view(token: Token, now: datetime) -> TokenView:
    """A token as the API shows it."""
    values = {name: getattr(token, name) for name in TokenView.model_fields if name != "state"}
    return TokenView(**values, state=token.state(now))  # type: ignore[arg-type]
