"""Jobs: one circuit's evacuation, with the instruments that served it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from model.equipment import Position


class JobState(StrEnum):
    """Life of a job: running → finished or unproven (and back, if pumped again) → closed."""

    PLANNED = "planned"
    RUNNING = "running"
    FINISHED = "finished"
    UNPROVEN = "unproven"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class Job:
    """One evacuation job. ``walk_up`` jobs were opened by a reading, to be named later.

    Parameters
    ----------
    merged_into : int or None
        The job that its instruments went to.
    kept_open : bool
        A person opened it again, so only a person closes it.
    pump_m3_s, ultimate_pa : float or None
        Rated pumping speed [m³/s] and ultimate pressure [Pa] of a pump that is not registered, a hired one.
    hose_bore_m, hose_length_m : float or None
        Bore and length of the hose to the pump [m].
    """

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
    note: str = ""
    merged_into: int | None = None
    kept_open: bool = False
    pump_m3_s: float | None = None
    ultimate_pa: float | None = None
    hose_bore_m: float | None = None
    hose_length_m: float | None = None


@dataclass(frozen=True, slots=True)
class Assignment:
    """An instrument served a job from ``since_us`` until before ``until_us`` (None: still does).

    The ``fixed`` ends were given by a person; the rule for walk-up jobs moves only the others.

    Parameters
    ----------
    side : Position or None
        On which side of the valve a gauge sat all the while, as a person said; None: where it is registered.
    """

    id: int
    job_id: int
    instrument_id: int
    since_us: int
    until_us: int | None
    deciding: bool
    since_fixed: bool = False
    until_fixed: bool = False
    side: Position | None = None
