"""What is set up, and what is missing."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from api.context import Ctx
from api.pages import render
from api.permissions import MayEquip
from physics.refrigerants import NOT_LISTED
from store import channels, gaps, quarantine
from store.lists import unacknowledged

router = APIRouter()

MISSING = {
    "volume": "has no volume: leak rates stay unknown, and what a pass shows is a rise only",
    "refrigerant": "has no refrigerant: no loss can be named, and no caution against fire",
    "refrigerant-not-listed": f"has a refrigerant that {NOT_LISTED}",
    "range": "has no range: over-range cannot be told from its readings",
    "never-heard": "has never been heard of: check its password, topic and time",
    "all-refused": "sends, but no reading of it was taken: its page says why",
    "no-instrument": "has no instrument: whatever it sends is refused",
}
ADDRESS = {"circuit": "circuits", "instrument": "instruments", "gateway": "gateways"}


@router.get("/setup")
def index(request: Request, ctx: Ctx, person: MayEquip) -> Response:
    """Counts, gaps, and the ways to everything."""
    with ctx.database() as conn:
        counts = gaps.counts(conn)
        missing = gaps.gaps(conn)
        waiting = unacknowledged(conn)
        troubled = channels.troubled(conn)
        refused = quarantine.count_waiting(conn) if "quarantine" in person.rights else None
    return render(
        request,
        "setup/index.html",
        counts=counts,
        missing=missing,
        refused=refused,
        troubled=troubled,
        words_of=MISSING,
        address_of=ADDRESS,
        unacknowledged=waiting,
    )
