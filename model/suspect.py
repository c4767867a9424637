"""A person's mark on a gauge that is oily, wet or drifting."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SuspectSpan:
    """A time for which a gauge was marked; times [µs].

    Parameters
    ----------
    until_us : int or None
        When somebody trusted it again; None: nobody has.
    reason : str
        Why, in the person's own words.
    """

    instrument_id: int
    since_us: int
    until_us: int | None
    reason: str

    def meets(self, start_us: int, end_us: int) -> bool:
        """Whether it covers any of a time."""
        return self.since_us < end_us and (self.until_us is None or self.until_us > start_us)
