"""Pages for setting up the company's equipment."""

from __future__ import annotations

from fastapi import APIRouter

from api.pages.setup import (
    company,
    gateways,
    index,
    instruments,
    labels,
    opening,
    pipes,
    places,
    procedures,
    refused,
    tables,
)

router = APIRouter()
for _page in (
    index,
    company,
    tables,
    places,
    opening,
    gateways,
    instruments,
    procedures,
    pipes,
    labels,
    refused,
):
    router.include_router(_page.router)
