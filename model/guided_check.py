"""How far a guided check at the site has come: its sections and stretches, folded from the presses so far.

A press that was undone is not among them. The readings are stored anyway; only the moments are kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from model.clock import US
from model.errors import BadInput

MOST_SECTIONS = 12
LONGEST_NAME = 60
LONGEST_US = 4 * 3600 * US
"""A stretch that was left for longer is watched until then: what comes later is weather. Our own choice."""


class Check(StrEnum):
    """Which check: the rig alone, or finding a leak by sections."""

    RIG = "rig"
    FIND = "find"


class Press(StrEnum):
    """What somebody pressed."""

    NAME = "name"
    """The sections are named."""
    BEGIN = "begin"
    READ = "read"
    AGAIN = "again"
    """The last stretch is watched again."""
    KEEP = "keep"
    """The result is kept as a note, and the check is over."""
    ANEW = "anew"


@dataclass(frozen=True, slots=True)
class Step:
    """A press: what, when [µs], by whom."""

    id: int
    press: Press
    at_us: int
    sections: tuple[str, ...] = ()
    person: str | None = None


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch that is watched [µs]; ``ended_us`` None: it goes on."""

    start_us: int
    ended_us: int | None = None

    def end_us(self, now_us: int) -> int:
        """Where it ends, or now; never later than `LONGEST_US` after its start."""
        return min(now_us if self.ended_us is None else self.ended_us, self.start_us + LONGEST_US)


@dataclass(frozen=True, slots=True)
class Course:
    """Sections by name, and the stretches so far: first of the whole, then without each of them."""

    sections: tuple[str, ...] = ()
    stretches: tuple[Stretch, ...] = ()

    @property
    def running(self) -> Stretch | None:
        """The stretch that goes on."""
        last = self.stretches[-1] if self.stretches else None
        return last if last is not None and last.ended_us is None else None

    @property
    def over(self) -> bool:
        """Whether the whole and every section have been watched."""
        return self.running is None and len(self.stretches) > len(self.sections)

    def takes(self, press: Press) -> bool:
        """Whether that can be pressed now."""
        if press is Press.BEGIN:
            return self.running is None and not self.over
        if press is Press.READ:
            return self.running is not None
        if press is Press.NAME:
            return not self.stretches
        return bool(self.stretches) or (press is Press.ANEW and bool(self.sections))

    def after(self, step: Step) -> Course:
        """How it stands after a press; one that could not be pressed changes nothing."""
        if not self.takes(step.press):
            return self
        before = self.stretches[:-1]
        if step.press is Press.NAME:
            return Course(step.sections)
        if step.press is Press.BEGIN:
            return replace(self, stretches=(*self.stretches, Stretch(step.at_us)))
        if step.press is Press.READ:
            return replace(self, stretches=(*before, replace(self.stretches[-1], ended_us=step.at_us)))
        return replace(self, stretches=before) if step.press is Press.AGAIN else Course()


def course_of(steps: Iterable[Step]) -> Course:
    """How far the presses of a check have brought it, in their order."""
    course = Course()
    for step in steps:
        course = course.after(step)
    return course


def sections_of(lines: Sequence[str]) -> tuple[str, ...]:
    """The names of sections, one a line; raises `BadInput`."""
    names = tuple(dict.fromkeys(line.strip() for line in lines if line.strip()))
    if not names:
        raise BadInput("Name at least one section.", field="sections")
    if len(names) > MOST_SECTIONS:
        raise BadInput(f"At most {MOST_SECTIONS} sections at a time.", field="sections")
    if any(len(name) > LONGEST_NAME or not name.isprintable() for name in names):
        raise BadInput(f"A name has at most {LONGEST_NAME} characters.", field="sections")
    return names
