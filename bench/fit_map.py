"""Finds the coefficients of `analytics.core.small_map`."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from analytics.core.small_map import FARTHEST, SmallMap
from physics.types import FloatArray


def fit_map(
    figures: FloatArray, classes: NDArray[np.intp], *, hidden: int, ridge: float, seed: int, most: int
) -> SmallMap:
    """Map to the probabilities of classes: maximum likelihood.

    Parameters
    ----------
    figures : ndarray, shape (n, k)
        What is seen of each hold.
    classes : ndarray, shape (n,)
        What is true of it, 0 to q - 1.
    hidden, ridge, seed, most
        As `fit_scores` takes them.
    """
    from scipy.special import log_softmax

    n, q = len(classes), int(classes.max()) + 1
    truth = np.eye(q, dtype=np.float32)[classes]

    def wrong(scores: FloatArray) -> tuple[float, FloatArray]:
        logs = log_softmax(scores, axis=1)
        return -float((truth * logs).sum(dtype=np.float64)) / n, (np.exp(logs) - truth) / n

    return fit_scores(figures, wrong, q, hidden=hidden, ridge=ridge, seed=seed, most=most)


def fit_scores(
    figures: FloatArray,
    wrong: Callable[[FloatArray], tuple[float, FloatArray]],
    number: int,
    *,
    hidden: int,
    ridge: float,
    seed: int,
    most: int,
) -> SmallMap:
    """Map to scores that are least wrong, by L-BFGS; says how far it is.

    Parameters
    ----------
    figures : ndarray, shape (n, k)
        What is seen of each hold.
    wrong : callable
        From scores, shape (n, q), to how wrong they are over all holds, and its slope by each of them.
    number : int
        Of scores, q.
    hidden : int
        Size of the hidden layer.
    ridge : float
        Penalty on the squares of all coefficients, against what ``wrong`` gives.
    seed : int
        Of the coefficients that it starts from.
    most : int
        Steps, at the most.
    """
    from scipy.optimize import OptimizeResult, minimize

    middle, spread = figures.mean(axis=0), np.maximum(figures.std(axis=0), 1e-6)
    n, k = figures.shape
    scaled = np.clip((figures - middle) / spread, -FARTHEST, FARTHEST)
    design = np.column_stack([scaled, np.ones(n)]).astype(np.float32)
    first = (k + 1) * hidden

    def tables(flat: FloatArray) -> tuple[FloatArray, FloatArray]:
        return flat[:first].reshape(k + 1, hidden), flat[first:].reshape(k + hidden + 1, number)

    def loss(flat: FloatArray) -> tuple[float, FloatArray]:
        inner, last = (one.astype(np.float32) for one in tables(flat))
        bent = np.tanh(design @ inner)
        whole = np.hstack([design[:, :-1], bent, design[:, -1:]])
        found, by_score = wrong(whole @ last)
        back = (by_score @ last[k:-1].T) * (1 - bent**2)
        slope = np.concatenate([(design.T @ back).ravel(), (whole.T @ by_score).ravel()]).astype(np.float64)
        return float(found + ridge * flat @ flat), slope + 2 * ridge * flat

    rng = np.random.default_rng(seed)
    start = np.concatenate(
        [rng.standard_normal(first) / np.sqrt(k), 0.1 * rng.standard_normal((k + hidden + 1) * number)]
    )

    def progress(intermediate_result: OptimizeResult) -> None:
        print(f"\rloss {intermediate_result.fun:.5f} ", end="", flush=True)

    best = minimize(
        loss,
        start,
        jac=True,
        method="L-BFGS-B",
        options={"maxiter": most, "maxcor": 20},
        callback=progress,
    )
    print()
    return SmallMap(middle, spread, *tables(np.asarray(best.x)))
