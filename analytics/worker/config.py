"""What the analytics process must be told."""

from __future__ import annotations

from dataclasses import dataclass, field

from store.upkeep import Rules


@dataclass(frozen=True, slots=True)
class AnalyseConfig:
    """Settings of the analytics process.

    Parameters
    ----------
    dsn : str
        The database.
    instance : str
        Its name among processes of its kind; empty: made from machine and process.
    at_once : int
        Most instruments in one transaction.
    gather_s : float
        Shortest time between two transactions [s of the wall]: readings that come meanwhile share the next
        one.
    transit_s : float
        How long a reading may be on its way to us [s of the wall]. What time alone decides, waits that long.
    silence_s, silence_intervals : float
        A gauge is silent after the longer of these: seconds, and reporting intervals.
    close_finished_s, close_unproven_s : float
        A job is closed when the vacuum has been broken that long [s]: after a finished evacuation, and
        before one. The second concerns walk-up jobs only; others wait for their crew.
    upkeep : Rules
        What is kept of the readings, and how long.
    """

    dsn: str
    instance: str = ""
    at_once: int = 100
    gather_s: float = 0.1
    transit_s: float = 2.0
    silence_s: float = 60.0
    silence_intervals: float = 5.0
    close_finished_s: float = 1800.0
    close_unproven_s: float = 4 * 3600.0
    upkeep: Rules = field(default_factory=Rules)
