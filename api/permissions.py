"""The one place where rights are enforced: every route says which right it needs (`model.rights`)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import Depends

from api.context import LoggedIn
from model.errors import NotAllowed
from model.rights import Right
from store.people import Person


def may(right: Right) -> Callable[[Person], Person]:
    """A dependency that gives the person of the request, or refuses who lacks the right."""

    def check(person: LoggedIn) -> Person:
        if right not in person.rights:
            raise NotAllowed(f"Your role ({person.role}) does not include this right: {right.value}.")
        return person

    check.right = right  # type: ignore[attr-defined]  # read by the test that walks all routes
    return check


MayOrder = Annotated[Person, Depends(may(Right.ORDER))]
MayRunJobs = Annotated[Person, Depends(may(Right.JOBS))]
MayEquip = Annotated[Person, Depends(may(Right.EQUIPMENT))]
MaySetProcedures = Annotated[Person, Depends(may(Right.PROCEDURES))]
MayKeepGateways = Annotated[Person, Depends(may(Right.GATEWAYS))]
MayKeepPeople = Annotated[Person, Depends(may(Right.PEOPLE))]
