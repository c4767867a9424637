"""What a process counts of its own work; told with its beats, so that it needs no HTTP of its own.

Names and meanings are in ``api/metrics.py``, which serves them.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

BOUNDS_S = (0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 15.0, 60.0, 300.0, 3600.0, 21_600.0, 86_400.0)
"""Upper bounds of the histograms [s]: from a commit's duration to a gateway's night without a radio."""

Labels = tuple[tuple[str, str], ...]


class Measures:
    """Counters, gauges and histograms of one process; every method may be called by any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._counters: dict[tuple[str, Labels], float] = {}
        self._gauges: dict[tuple[str, Labels], float] = {}
        self._histograms: dict[tuple[str, Labels], tuple[list[int], list[float]]] = {}

    def count(self, name: str, n: float = 1, **labels: str) -> None:
        """Add to a counter; it begins at zero."""
        key = name, tuple(sorted(labels.items()))
        with self._lock:
            self._counters[key] = self._counters.get(key, 0) + n

    def gauge(self, name: str, value: float, **labels: str) -> None:
        """Set what may go up and down."""
        with self._lock:
            self._gauges[name, tuple(sorted(labels.items()))] = value

    def observe(self, name: str, seconds: float | NDArray[np.float64], **labels: str) -> None:
        """Add durations to a histogram; a negative one, of clocks that differ, counts as none."""
        given = np.atleast_1d(np.asarray(seconds, float))
        given = np.maximum(given[np.isfinite(given)], 0.0)
        if not len(given):
            return
        places = np.searchsorted(BOUNDS_S, given)
        key = name, tuple(sorted(labels.items()))
        with self._lock:
            counts, total = self._histograms.setdefault(key, ([0] * (len(BOUNDS_S) + 1), [0.0]))
            for place, n in zip(*np.unique(places, return_counts=True), strict=True):
                counts[place] += int(n)
            total[0] += float(given.sum())

    def told(self) -> dict[str, list[Any]]:
        """Everything, as JSON can carry it."""
        with self._lock:
            return {
                "counters": [[name, dict(labels), n] for (name, labels), n in self._counters.items()],
                "gauges": [[name, dict(labels), value] for (name, labels), value in self._gauges.items()],
                "histograms": [
                    [name, dict(labels), list(counts), total[0]]
                    for (name, labels), (counts, total) in self._histograms.items()
                ],
            }


def told_in(detail: Mapping[str, Any]) -> Mapping[str, list[Any]]:
    """The measures in a beat's detail; none in that of an older program."""
    found = detail.get("measures")
    return found if isinstance(found, dict) else {}
