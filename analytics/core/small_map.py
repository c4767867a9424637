"""A small map from plain figures to calibrated probabilities.

A multinomial logistic regression [1]_ with one hidden layer [2]_ beside the straight way:

    p = softmax(W·(x, tanh(V·(x, 1)), 1)),   x = (figures − middle)/spread, not farther out than 3

or, before the softmax, to scores that mean something of their own.

Its coefficients are made from simulated holds (``bench/``) and lie with their origin in a JSON file beside
the module that uses it.

References
----------
.. [1] Platt, J. (1999). Probabilistic outputs for support vector machines. Advances in Large Margin
   Classifiers; with more than two classes: the multinomial model.
.. [2] Bishop, C. (2006). Pattern Recognition and Machine Learning, Springer, chapter 5 (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from physics.types import FloatArray

FARTHEST = 3.0
"""How far from the simulated holds' middle the map is followed, in their standard deviations."""


@dataclass(frozen=True, slots=True)
class SmallMap:
    """Coefficients of the map.

    Parameters
    ----------
    middle, spread : ndarray, shape (k,)
        Of the figures over the simulated holds.
    hidden : ndarray, shape (k + 1, h)
        To the hidden layer, a constant last.
    last : ndarray, shape (k + h + 1, q)
        From figures and hidden layer to the classes, a constant last.
    """

    middle: FloatArray
    spread: FloatArray
    hidden: FloatArray
    last: FloatArray

    @staticmethod
    def read(stored: Mapping[str, Any]) -> SmallMap:
        """From what `stored` gave."""
        return SmallMap(*(np.array(stored[name]) for name in SmallMap.__slots__))

    def stored(self) -> dict[str, list[Any]]:
        """For a JSON file, to five places."""
        return {name: np.round(getattr(self, name), 5).tolist() for name in SmallMap.__slots__}

    def scaled(self, figures: FloatArray) -> FloatArray:
        """Figures as the map takes them, shape (…, k)."""
        return np.clip((figures - self.middle) / self.spread, -FARTHEST, FARTHEST)

    def scores(self, figures: FloatArray) -> FloatArray:
        """What goes into the softmax, shape (q,), from the figures of one hold, shape (k,)."""
        x = self.scaled(figures)
        bent = np.tanh(np.append(x, 1.0) @ self.hidden)
        return np.asarray(np.concatenate([x, bent, [1.0]]) @ self.last)

    def __call__(self, figures: FloatArray) -> FloatArray:
        """Probabilities of the classes, shape (q,), from the figures of one hold, shape (k,)."""
        score = self.scores(figures)
        weights = np.exp(score - score.max())
        return np.asarray(weights / weights.sum())
