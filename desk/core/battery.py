"""How long a battery lasts, by its own discharge: a cautious line, our own choice, no source."""

from __future__ import annotations

from collections.abc import Sequence

from model.clock import US

FLAT = 0.1
"""Below this share nobody should count on it."""
STEP = 0.02
"""Gauges report their charge in steps; so much may have gone without being seen."""
SHORTEST_SPAN_S = 3600.0


def lasts_until(samples: Sequence[tuple[int, float]]) -> int | None:
    """The earliest moment at which a battery may be flat [µs]; None: too little is known.

    Parameters
    ----------
    samples : sequence of (µs, share)
        Charge from 0 to 1 in event time, oldest first; of the last day.
    """
    if not samples:
        return None
    (begin_us, first), (end_us, last) = samples[0], samples[-1]
    if last <= FLAT:
        return end_us
    span_s = (end_us - begin_us) / US
    if span_s < SHORTEST_SPAN_S:
        return None
    per_s = (max(first - last, 0.0) + STEP) / span_s
    return end_us + round((last - FLAT) / per_s * US)
