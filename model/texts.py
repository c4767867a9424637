"""Reading a record of texts, a form's or a table's: every field that cannot be used gets its sentence."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import StrEnum
from typing import TypeVar

from model import quantities
from model.errors import BadFields, BadInput

T = TypeVar("T")
E = TypeVar("E", bound=StrEnum)

LONGEST_NAME = 120
LONGEST_WORDS = 2000


def check_text(value: str, field: str, *, longest: int = LONGEST_NAME, required: bool = False) -> str:
    """The text without spaces around it; raises `BadInput` if it is too long, missing or unprintable."""
    value = value.strip()
    if required and not value:
        raise BadInput("This is needed.", field=field)
    if len(value) > longest:
        raise BadInput(f"At most {longest} characters, these are {len(value)}.", field=field)
    if not value.replace("\n", " ").replace("\r", " ").replace("\t", " ").isprintable():
        raise BadInput("This holds characters that cannot be shown.", field=field)
    return value


class Texts:
    """A record of texts by field.

    Read all fields, then call `done`, which raises one error with all sentences. What could not be read is
    ``None`` until then.

    Parameters
    ----------
    values : mapping of str to str
        What was written, by field.
    decimal : {'.', ','}
        The decimal sign of who wrote it.
    """

    def __init__(self, values: Mapping[str, str], decimal: str = ".") -> None:
        self._values = values
        self._decimal = decimal
        self.errors: dict[str, str] = {}

    def __contains__(self, field: str) -> bool:
        return field in self._values

    def raw(self, field: str) -> str:
        """As it was written, without spaces around it."""
        return self._values.get(field, "").strip()

    def text(self, field: str, *, longest: int = LONGEST_NAME, required: bool = False) -> str:
        """A text."""
        read = self._try(
            field, lambda text: check_text(text, field, longest=longest, required=required), empty=True
        )
        return read or ""

    def choice(self, field: str, kind: type[E], default: E | None = None) -> E | None:
        """One of the words of an enumeration."""

        def read(text: str) -> E:
            try:
                return kind(text.casefold())
            except ValueError as error:
                words = ", ".join(kind)
                raise BadInput(f"{text!r} is none of {words}.", field=field) from error

        if not self.raw(field) and default is None:
            self.errors.setdefault(field, "This is needed.")
        return self._try(field, read, default)

    def read(
        self,
        field: str,
        reader: Callable[[str, str], T],
        default: T | None = None,
        *,
        required: bool = False,
    ) -> T | None:
        """A quantity, by one of the readers of `model.quantities`."""
        if required and not self.raw(field):
            self.errors.setdefault(field, "This is needed.")
        return self._try(
            field, lambda text: reader(quantities.pointed(text, self._decimal, field), field), default
        )

    def whole(self, field: str, default: int) -> int:
        """A whole number."""

        def read(text: str) -> int:
            value = quantities.number(text, field)
            if value != int(value):
                raise BadInput(f"{text!r} is no whole number.", field=field)
            return int(value)

        found = self._try(field, read, default)
        return default if found is None else found

    def done(self) -> None:
        """Raise `BadFields` if anything could not be read."""
        if self.errors:
            raise BadFields(self.errors)

    def _try(
        self, field: str, reader: Callable[[str], T], default: T | None = None, *, empty: bool = False
    ) -> T | None:
        text = self.raw(field)
        if not text and not empty:
            return default
        try:
            return reader(text)
        except BadInput as error:
            self.errors.setdefault(field, str(error))
            return None
