"""Two gauges on one circuit: both are heard, and what they do not agree on is said.

The readings of two gauges on one circuit share circuit, temperature and shapes that nobody knows; only noise,
drift and scale are each gauge's own. So they are not independent witnesses: the probabilities are averaged (a
linear opinion pool [1]_), which makes two that agree no surer than each, and two that do not less sure.
The deciding gauge has more weight: the procedure chose it for its place, the other may be wet or cut off. The
leak rate is that of the deciding gauge, its interval drawn wider where the other's value lies outside.

References
----------
.. [1] Genest, C. and Zidek, J. V. (1986). Combining probability distributions. Statistical Science 1(1),
   114-135.
"""

from __future__ import annotations

from dataclasses import replace

from model.judgement import Cause, Diagnosis, Interval

OTHER = 0.2
"""Weight of the gauge that does not decide. Our own choice."""

APART = 0.5
"""Difference of two probabilities of a leak from which on two gauges do not agree. Our own choice."""


def heard_both(deciding: Diagnosis, other: Diagnosis, certain: float) -> Diagnosis:
    """The deciding gauge's diagnosis in the light of a second gauge's.

    Parameters
    ----------
    deciding, other : Diagnosis
        Each of its own gauge's readings of the same hold.
    certain : float
        Probability from which on a cause is named.
    """
    if other.leak_pa_per_s is None or deciding.leak_pa_per_s is None:
        return deciding  # one of them saw too little for an estimate
    shares = {
        cause: (1 - OTHER) * share + OTHER * other.probabilities[cause]
        for cause, share in deciding.probabilities.items()
    }
    best = max(shares, key=lambda cause: shares[cause])
    cause = Cause(best) if shares[best] >= certain else Cause.UNCLEAR
    ours, theirs = deciding.leak_pa_per_s, other.leak_pa_per_s
    agree = ours.low <= theirs.high and theirs.low <= ours.high
    agree &= abs(_leaks(deciding) - _leaks(other)) < APART
    wet = cause in (Cause.MOISTURE, Cause.LEAK_AND_MOISTURE)
    return replace(
        deciding,
        cause=cause,
        probabilities=shares,
        evidence=(*deciding.evidence, _said(deciding, other, agree)),
        leak_pa_per_s=_wider(ours, theirs.value),
        leak_pa_m3_per_s=None
        if deciding.leak_pa_m3_per_s is None or other.leak_pa_m3_per_s is None
        else _wider(deciding.leak_pa_m3_per_s, other.leak_pa_m3_per_s.value),
        vapour_pa=deciding.vapour_pa if wet else None,
        vapour_g=deciding.vapour_g if wet else None,
        equilibrium_temperature_k=deciding.equilibrium_temperature_k if wet else None,
    )


def _leaks(one: Diagnosis) -> float:
    return one.probabilities[Cause.LEAK] + one.probabilities[Cause.LEAK_AND_MOISTURE]


def _said(deciding: Diagnosis, other: Diagnosis, agree: bool) -> str:
    if not agree:
        return (
            "A second gauge on the circuit does not agree on a leak: one of the two may be wet, oily "
            "or cut off by a closed valve."
        )
    if deciding.cause is other.cause:
        return "A second gauge on the circuit says the same."
    return "A second gauge on the circuit does not speak against it, but leaves the cause open or another."


def _wider(interval: Interval, value: float) -> Interval:
    return Interval(interval.value, min(interval.low, value), max(interval.high, value))
