"""A judge that knows more of each simulated hold than anybody can: what no analysis will beat.

It is given this hold's own curves of leak, water and tail (though not whether they are there, and how large
they are), its evening out and its temperature, the sizes of noise and drift, and how often each part occurs.
Only amplitudes are left to find: linear least squares in known noise. Where even it errs, the readings do not
tell; what it has ahead of the analysis is in part the price of not knowing the shapes, which cannot be had.
"""

from __future__ import annotations

import itertools
import math

import numpy as np

from analytics.core.binned import binned
from analytics.core.estimate import COUNTS, SCALE_SD, asked
from bench.holds import DRIFT, PRESENT, Hold
from physics.types import FloatArray

_LEVEL_PA = 0.13
_DECADES = 6.0


def oracle(hold: Hold) -> FloatArray:
    """Probabilities of the causes, in the order of `analytics.core.estimate.CAUSES`."""
    from scipy.special import ndtr

    seen = binned(hold.time_s, hold.pressure_pa, None, hold.settle_s, hold.top_pa)
    permitted = asked(hold.start_pa, hold.limit_pa, hold.settle_s, hold.hold_s).permitted_pa
    shapes = np.stack([np.interp(seen.t, hold.time_s, one) for one in hold.shapes.T], axis=1)
    errors = np.diag(seen.sd**2) + np.outer(shapes[:, 3], shapes[:, 3]) + _LEVEL_PA**2
    apart = np.abs(seen.t[:, None] - seen.t[None, :])
    scale = np.abs(seen.p)
    errors += DRIFT**2 * np.outer(scale, scale) * np.exp(-apart / (seen.t[-1] - seen.t[0]))
    white = np.linalg.solve(np.linalg.cholesky(errors), np.column_stack([shapes[:, :3], seen.p]))
    products = white.T @ white
    scores, found = [], []
    for present in itertools.product((False, True), repeat=3):
        which = np.flatnonzero(present)
        score = sum(math.log(p if there else 1 - p) for p, there in zip(PRESENT, present, strict=True))
        counts = np.zeros(3)
        left = float(products[3, 3])
        if len(which):
            gram = products[np.ix_(which, which)]
            covariance = np.linalg.pinv(gram, hermitian=True)
            size = covariance @ products[which, 3]
            if (size <= 0).any():
                continue
            error = np.sqrt(covariance.diagonal())
            left -= float(size @ products[which, 3])
            score += 0.5 * (len(which) * math.log(2 * math.pi) + np.linalg.slogdet(covariance)[1])
            score -= float(np.log(np.maximum(size, error) * _DECADES).sum())
            counts[which] = ndtr((size - COUNTS * permitted) / np.hypot(error, SCALE_SD * size))
        leak, water, tail = counts
        beside = 1 - (1 - water) * (1 - tail)
        scores.append(score - left / 2)
        found.append(
            (
                (1 - leak) * (1 - beside),
                leak * (1 - beside),
                (1 - leak) * water,
                leak * beside,
                (1 - leak) * (1 - water) * tail,
            )
        )
    weights = np.exp(np.array(scores) - max(scores))
    return np.asarray(weights @ np.array(found) / weights.sum())
