"""Pages of lists: a cursor says where the last page ended, whatever was added since."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Mapping
from typing import Annotated, Any, Generic, TypeVar

from fastapi import Depends, Query, Request, Response
from pydantic import BaseModel, Field

from model.errors import BadInput
from store.database import Connection
from store.lists import Listing

T = TypeVar("T")


class Page(BaseModel, Generic[T]):
    """One page of a list."""

    items: list[T]
    next: str | None = Field(description="Cursor of the next page (`?cursor=`); null on the last one.")


class Paging:
    """Where a page begins and how long it is."""

    def __init__(
        self,
        request: Request,
        response: Response,
        cursor: Annotated[
            str | None, Query(description="`next` of the page before; leave it out for the first page.")
        ] = None,
        limit: Annotated[int, Query(ge=1, le=500, description="Most items on the page.")] = 50,
    ) -> None:
        self.request = request
        self.response = response
        self.limit = limit
        self.after = None if cursor is None else self._decode(cursor)

    def page(
        self,
        conn: Connection,
        listing: Listing,
        filters: Mapping[str, object],
        make: Callable[[dict[str, Any]], T],
    ) -> Page[T]:
        """Read one page and set the ``Link`` header (RFC 8288) to the next."""
        rows = listing.page(conn, filters, self.after, self.limit + 1)
        following = None
        if len(rows) > self.limit:
            rows = rows[: self.limit]
            following = self._encode(rows[-1]["id"])
            url = self.request.url.include_query_params(cursor=following)
            self.response.headers["Link"] = f'<{url.path}?{url.query}>; rel="next"'
        return Page(items=[make(row) for row in rows], next=following)

    # The path is part of the cursor, so that the cursor of one list is no cursor of another.
    def _encode(self, after: int) -> str:
        return base64.urlsafe_b64encode(f"{self.request.url.path} {after}".encode()).decode().rstrip("=")

    def _decode(self, cursor: str) -> int:
        try:
            raw = base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True)
            path, after = raw.decode().split(" ")
            if path == self.request.url.path and 0 < len(after) < 19:
                return int(after)
        except (binascii.Error, ValueError):
            pass
        raise BadInput("This is no cursor of this list; start again without one.", field="cursor")


Paged = Annotated[Paging, Depends()]
Sought = Annotated[
    str | None,
    Query(description="Only what contains this text, in its name or in the other words that it has."),
]
"""The filter ``q`` of a `Listing` that can be searched."""
