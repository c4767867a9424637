"""How a reader's locale writes numbers and dates. The words stay English; CLDR (through Babel) says the rest.

Pages hand the same few signs to their script (`Conventions.script`), so that nothing depends on which edition
of CLDR a browser has.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from functools import lru_cache

from model.errors import BadInput

THIN = "\u202f"
"""Narrow no-break space: groups digits, stands before units."""
NO_BREAK = "\u00a0"
MINUS = "\u2212"
LONGEST_TAG = 35
MOST_ASKED = 10


@dataclass(frozen=True, slots=True)
class Conventions:
    """Signs and order.

    Parameters
    ----------
    tag : str
        BCP 47 tag, or ``si``.
    decimal, group : str
        Signs for the decimals and between groups of digits.
    first, others : int
        Digits in the last group before the decimal sign, and in the groups before it.
    order : str
        ``dmy``, ``mdy`` or ``ymd``.
    twelve : bool
        Hours to twelve with AM and PM.
    """

    tag: str = "si"
    decimal: str = "."
    group: str = THIN
    first: int = 3
    others: int = 3
    order: str = "dmy"
    twelve: bool = False

    def grouped(self, digits: str) -> str:
        """A row of digits with its groups told apart."""
        parts = [digits[-self.first :]]
        rest = digits[: -self.first]
        while rest:
            parts.insert(0, rest[-self.others :])
            rest = rest[: -self.others]
        return self.group.join(parts)

    def write(self, coefficient: int, exponent: int) -> str:
        """The number ``coefficient × 10^exponent``; a negative exponent is the number of decimals."""
        digits = str(abs(coefficient)) + "0" * max(exponent, 0)
        decimals = max(-exponent, 0)
        digits = digits.rjust(decimals + 1, "0")
        whole, part = digits[: len(digits) - decimals], digits[len(digits) - decimals :]
        sign = MINUS if coefficient < 0 else ""
        return sign + self.grouped(whole) + (self.decimal + part if part else "")

    def moment(self, local: datetime, *, year: bool, seconds: bool = False) -> str:
        """Day and time: ``Tue 24 Nov, 02:13``, ``Tue, Nov 24, 2:13 AM``, ``Tue 2026-11-24, 02:13``."""
        if self.order == "ymd":
            day = f"{local:%a} {local:%Y-%m-%d}"
        elif self.order == "mdy":
            day = f"{local:%a}, {local:%b} {local.day}" + (f", {local.year}" if year else "")
        else:
            day = f"{local:%a} {local.day} {local:%b}" + (f" {local.year}" if year else "")
        return f"{day}, {self.clock(local, seconds=seconds)}"

    def clock(self, local: datetime, *, seconds: bool = False) -> str:
        """The time of day alone."""
        rest = f"{local:%M:%S}" if seconds else f"{local:%M}"
        if not self.twelve:
            return f"{local:%H}:{rest}"
        return f"{local.hour % 12 or 12}:{rest}{NO_BREAK}{'AM' if local.hour < 12 else 'PM'}"

    def script(self) -> dict[str, object]:
        """For the pages' script."""
        return asdict(self)


SI = Conventions()
"""ISO 80000-1: digits in groups by a thin space; 24 hours."""


@lru_cache(maxsize=256)
def of_tag(tag: str) -> Conventions | None:
    """The conventions of a locale, None if the tag names none that CLDR knows."""
    from babel import Locale, UnknownLocaleError

    if tag == SI.tag:
        return SI
    if len(tag) > LONGEST_TAG or not re.fullmatch(r"[A-Za-z]{2,3}(-[A-Za-z0-9]{2,8})*", tag):
        return None
    try:
        locale = Locale.parse(tag, sep="-")
    except (UnknownLocaleError, ValueError):
        return None
    if locale is None:
        return None
    # The words are English, so the digits are European, also where others are usual.
    symbols = locale.number_symbols.get("latn") or {}
    others, first = locale.decimal_formats[None].grouping[1], locale.decimal_formats[None].grouping[0]
    date = re.sub(r"[^yMd]", "", locale.date_formats["short"].pattern)
    return Conventions(
        tag=tag,
        decimal=symbols.get("decimal", "."),
        group=symbols.get("group", THIN),
        first=first,
        others=others,
        order={"d": "dmy", "M": "mdy", "y": "ymd"}.get(date[:1], "dmy"),
        twelve="a" in locale.time_formats["short"].pattern,
    )


def check(tag: str | None) -> None:
    """Raise `BadInput` for a tag that names no locale."""
    if tag is not None and of_tag(tag) is None:
        raise BadInput(
            f"{tag[:LONGEST_TAG]!r} names no known locale; write it like de-DE or en-US, or 'si'.",
            field="locale",
        )


def asked_for(header: str | None) -> Conventions:
    """The conventions that a browser asks for first (``Accept-Language``, RFC 9110, section 12.5.4)."""
    for tag in _by_weight(header or ""):
        found = of_tag(tag)
        if found is not None:
            return found
    return SI


def _by_weight(header: str) -> Sequence[str]:
    weighed = []
    for part in header.split(",")[:MOST_ASKED]:
        tag, _, rest = part.partition(";")
        weight = re.fullmatch(r"\s*q=([01](?:\.\d{0,3})?)\s*", rest)
        weighed.append((-(float(weight[1]) if weight else 1.0), tag.strip()))
    return [tag for weight, tag in sorted(weighed, key=lambda item: item[0]) if weight < 0]
