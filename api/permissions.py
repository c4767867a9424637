"""Who may do what beyond looking, acknowledging and naming, which everybody may who is logged in."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends

from api.context import LoggedIn
from model.errors import NotAllowed
from store.people import Person

PLANNERS = ("dispatcher", "manager", "administrator")


def _planner(person: LoggedIn) -> Person:
    if person.role not in PLANNERS:
        raise NotAllowed("Registering and planning is for dispatchers, managers and administrators.")
    return person


Planner = Annotated[Person, Depends(_planner)]
"""Somebody who may register sites, equipment, procedures and jobs."""
