"""How far a guided check has come: its sections and the times of its stretches, carried in its address.

Nothing of it is stored until its result is kept as a note; the readings are there anyway, so a page that is
opened again goes on where it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from model.clock import US
from model.errors import BadInput

MOST_SECTIONS = 12
LONGEST_NAME = 60
LONGEST_S = 4 * 3600


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch that is watched, by whole seconds since the epoch; ``end_s`` None: it goes on."""

    start_s: int
    end_s: int | None

    def end_us(self, now_us: int) -> int:
        """Where it ends, or now [µs]."""
        return now_us if self.end_s is None else self.end_s * US


@dataclass(frozen=True, slots=True)
class Course:
    """Sections by name, and the stretches so far: first of the whole, then without each of them."""

    sections: tuple[str, ...] = ()
    stretches: tuple[Stretch, ...] = ()

    @property
    def running(self) -> Stretch | None:
        """The stretch that goes on."""
        last = self.stretches[-1] if self.stretches else None
        return last if last is not None and last.end_s is None else None

    @property
    def over(self) -> bool:
        """Whether the whole and every section have been watched."""
        return self.running is None and len(self.stretches) > len(self.sections)

    @property
    def query(self) -> str:
        """For the address."""
        times = [f"{one.start_s}-{'' if one.end_s is None else one.end_s}" for one in self.stretches]
        return urlencode([*(("s", name) for name in self.sections), *(("t", time) for time in times)])

    def begun(self, now_us: int) -> Course:
        """With the next stretch begun now."""
        if self.running is not None or self.over:
            return self
        return replace(self, stretches=(*self.stretches, Stretch(now_us // US, None)))

    def ended(self, now_us: int) -> Course:
        """With the running stretch ended now."""
        if self.running is None:
            return self
        return replace(self, stretches=(*self.stretches[:-1], replace(self.running, end_s=now_us // US)))

    def again(self) -> Course:
        """Without the last stretch."""
        return replace(self, stretches=self.stretches[:-1])


def sections_of(lines: Sequence[str]) -> tuple[str, ...]:
    """The names of sections, one a line; raises `BadInput`."""
    names = tuple(dict.fromkeys(line.strip() for line in lines if line.strip()))
    if len(names) > MOST_SECTIONS:
        raise BadInput(f"At most {MOST_SECTIONS} sections at a time.", field="sections")
    if any(len(name) > LONGEST_NAME or not name.isprintable() for name in names):
        raise BadInput(f"A name has at most {LONGEST_NAME} characters.", field="sections")
    return names


def course_of(sections: Sequence[str], times: Sequence[str], now_us: int) -> Course:
    """What an address says; raises `BadInput` for one that was not made by us."""
    names = sections_of(sections)
    stretches: list[Stretch] = []
    for text in times:
        start, _, end = text.partition("-")
        numbers = [part for part in (start, end) if part]
        if not start or not all(part.isascii() and part.isdigit() and len(part) <= 11 for part in numbers):
            raise BadInput("This address is none of ours; begin again.")
        stretches.append(Stretch(int(start), int(end) if end else None))
    edges = [edge for one in stretches for edge in (one.start_s, one.end_s) if edge is not None]
    open_ones = [one for one in stretches[:-1] if one.end_s is None]
    if open_ones or edges != sorted(edges) or (edges and edges[-1] > now_us // US + 1):
        raise BadInput("The times in this address are in no order; begin again.")
    if len(stretches) > len(names) + 1 or any(_length_s(one, now_us) > LONGEST_S for one in stretches):
        raise BadInput("A stretch of this check is longer than four hours; begin again.")
    return Course(names, tuple(stretches))


def _length_s(one: Stretch, now_us: int) -> int:
    return one.end_us(now_us) // US - one.start_s
