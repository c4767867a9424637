"""One field above a list that finds by what its rows say; it stays in the address."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from fastapi import Request

from store.database import Connection
from store.lists import Listing


@dataclass(frozen=True, slots=True)
class Search:
    """What was looked for, and how many of how many were found."""

    text: str
    found: int
    total: int


def text_of(request: Request) -> str:
    """What is looked for, from the address."""
    return request.query_params.get("q", "").strip()


def narrowed(
    request: Request, conn: Connection, listing: Listing, rows: Sequence[Any], filters: dict[str, object]
) -> tuple[list[Any], Search]:
    """The rows that the listing finds too."""
    text = text_of(request)
    found = list(rows)
    if text:
        ids = listing.ids(conn, {**filters, "q": text})
        found = [row for row in rows if (row["id"] if isinstance(row, dict) else row.id) in ids]
    return found, Search(text, len(found), len(rows))


def listed(
    request: Request, conn: Connection, listing: Listing, filters: dict[str, object], at_most: int
) -> tuple[list[dict[str, Any]], Search]:
    """The rows of a listing that are looked for, the first so many."""
    text = text_of(request)
    rows = listing.page(conn, {**filters, "q": text}, None, at_most)
    return rows, Search(text, len(rows), listing.count(conn, filters))
