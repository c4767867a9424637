"""Types of scalars and arrays that the functions of this package take."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

F = TypeVar("F", float, FloatArray)
"""A scalar in gives a scalar out, an array in gives an array out."""
