"""A digest of what matters in a view, to see cheaply whether anything must be written."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import msgspec

from analytics.core.track import View
from analytics.worker.causes import spans
from model.judgement import HoldTest, Phase


def digest_of_view(view: View, head_us: int) -> str:
    """A short text that differs when the view does in more than numbers that move with every reading, or when
    readings up to ``head_us`` [µs] make a cause due to be estimated anew."""
    whole = (
        [settled_phase(phase) for phase in view.phases],
        [settled_hold(hold) for hold in view.holds],
        view.facts,
        view.evacuation,
        spans(view, head_us),
    )
    return hashlib.blake2b(msgspec.json.encode(whole), digest_size=12).hexdigest()


def settled_phase(phase: Phase) -> Phase:
    """A phase without what is still moving."""
    return replace(phase, end_pa=None, lowest_pa=None) if phase.end_us is None else phase


def settled_hold(hold: HoldTest) -> HoldTest:
    """A hold without what is still moving."""
    return (
        hold if hold.verdict.final else replace(hold, text="", last_pa=None, highest_pa=None, forecast=None)
    )
