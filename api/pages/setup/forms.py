"""Forms: their fields, what was typed, and a sentence at each field that cannot be used."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Annotated, TypeVar

from fastapi import Depends, Request

from model.errors import BadFields, BadInput

E = TypeVar("E", bound=StrEnum)


@dataclass(frozen=True, slots=True)
class Field:
    """A field of a form.

    Parameters
    ----------
    choices : tuple of (value, word)
        A selection instead of a text.
    lines : int
        More than one: room for so many lines of text.
    """

    name: str
    label: str
    hint: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    lines: int = 1
    required: bool = False
    list_id: str = ""


@dataclass(frozen=True, slots=True)
class Form:
    """A form as it is shown; ``stray`` are sentences that belong to no field of it."""

    fields: tuple[Field, ...]
    values: Mapping[str, str]
    action: str
    button: str
    errors: Mapping[str, str] = field(default_factory=dict)
    prefix: str = "f"
    """Of the ids of its fields: another one where two forms on a page share names."""

    @property
    def stray(self) -> list[str]:
        """Sentences without a field to stand at."""
        names = {one.name for one in self.fields}
        return [text for name, text in self.errors.items() if name not in names]


async def read_form(request: Request) -> dict[str, str]:
    """What was typed, by field; files are left out."""
    typed = await request.form(max_fields=2000)
    return {name: value for name, value in typed.items() if isinstance(value, str)}


Typed = Annotated[dict[str, str], Depends(read_form)]


def errors_of(error: BadInput) -> dict[str, str]:
    """Sentences by field."""
    if isinstance(error, BadFields):
        return error.errors
    return {error.field or "": str(error)}


def choices_of(kind: type[E], words: Mapping[E, str]) -> tuple[tuple[str, str], ...]:
    """A selection of the words of an enumeration."""
    return tuple((one.value, words[one]) for one in kind)
