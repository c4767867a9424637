"""The one place where rights are enforced: every route says which right it needs (`model.rights`)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import Depends

from api.context import LoggedIn
from model.errors import NotAllowed
from model.rights import MEANING, Right
from store.people import Person

ANYBODY = "anybody"
"""What a route declares that needs no login."""


def may(right: Right) -> Callable[[Person], Person]:
    """A dependency that gives the person of the request, or refuses who lacks the right."""

    def check(person: LoggedIn) -> Person:
        if right not in person.rights:
            raise NotAllowed(f"{person.limits} {MEANING[right]}; that takes the right “{right}”.")
        return person

    check.right = right  # type: ignore[attr-defined]  # read by `declared`
    return check


def anybody() -> None:
    """The dependency of a route that is open without a login; the gate lets it through."""


anybody.right = ANYBODY  # type: ignore[attr-defined]

LOOK = Depends(may(Right.LOOK))
MEASURE = Depends(may(Right.METRICS))
OPEN_TO_ALL = Depends(anybody)

Oneself = Annotated[Person, Depends(may(Right.OWN))]
MayLook = Annotated[Person, Depends(may(Right.LOOK))]
MayAcknowledge = Annotated[Person, Depends(may(Right.ACKNOWLEDGE))]
MaySeeRefused = Annotated[Person, Depends(may(Right.QUARANTINE))]
MayOrder = Annotated[Person, Depends(may(Right.ORDER))]
MayRunJobs = Annotated[Person, Depends(may(Right.JOBS))]
MayEquip = Annotated[Person, Depends(may(Right.EQUIPMENT))]
MaySetProcedures = Annotated[Person, Depends(may(Right.PROCEDURES))]
MayKeepGateways = Annotated[Person, Depends(may(Right.GATEWAYS))]
MayKeepPeople = Annotated[Person, Depends(may(Right.PEOPLE))]
MayTurnOnOpening = Annotated[Person, Depends(may(Right.OPENING))]
MayTell = Annotated[Person, Depends(may(Right.TELLING))]


def declared(dependant: Any) -> list[str]:
    """The rights that a route declares, by its dependencies; every one of them is needed."""
    found = {
        str(right): None
        for one in dependant.dependencies
        for right in [getattr(one.call, "right", None), *declared(one)]
        if right is not None
    }
    return list(found)
