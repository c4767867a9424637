"""The checks before a hold is left to itself."""

from __future__ import annotations

from fastapi import APIRouter

from api.context import Ctx
from api.permissions import MayLook
from api.preflight import PreflightView, preflight_view
from api.problems import errors_of
from api.quantities import InUnit
from api.routes.places import Number

router = APIRouter(tags=["hold plans"])


@router.get("/jobs/{number}/preflight", responses=errors_of(401, 403, 404, 422, 503))
def read_preflight(ctx: Ctx, person: MayLook, number: Number, unit: InUnit) -> PreflightView:
    """Every check before a technician leaves, each with what to do where it is not right.

    What would hinder a plan of the job (`POST /hold-plans/dry-run`) hinders leaving, by the same interlocks;
    besides, the rig, the valve's travel, the radio, the clock, the pump, the volume and the alert route are
    looked at.
    """
    with ctx.database() as conn:
        return preflight_view(conn, number, person.id, ctx.clock.now_us(), unit)
