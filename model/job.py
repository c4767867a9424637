"""Jobs: one circuit's evacuation, with the instruments that served it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class JobState(StrEnum):
    """Life of a job: running → finished or unproven (and back, if pumped again) → closed."""

    PLANNED = "planned"
    RUNNING = "running"
    FINISHED = "finished"
    UNPROVEN = "unproven"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class Job:
    """One evacuation job. ``walk_up`` jobs were opened by a reading, to be named later."""

    id: int
    title: str
    state: JobState
    walk_up: bool
    site_id: int
    circuit_id: int | None
    crew_id: int | None
    procedure_id: int
    opened_us: int
    closed_us: int | None


@dataclass(frozen=True, slots=True)
class Assignment:
    """An instrument served a job from ``since_us`` until before ``until_us`` (None: still does)."""

    id: int
    job_id: int
    instrument_id: int
    since_us: int
    until_us: int | None
    deciding: bool
