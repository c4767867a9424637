"""How long a battery lasts, by its own discharge: a cautious line, our own choice, no source."""

from __future__ import annotations

from collections.abc import Sequence

from model.clock import US
from model.valve_facts import Battery

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


def weakest(charges: Sequence[tuple[str, Sequence[tuple[int, float]]]]) -> Battery | None:
    """Of several batteries, by name, the one that may be flat first; of whose discharge too little is known,
    before all."""
    found = [Battery(name, lasts_until(samples)) for name, samples in charges]
    return min(found, key=lambda one: one.lasts_until_us or 0, default=None)
