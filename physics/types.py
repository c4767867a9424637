"""Types of scalars and arrays that the functions of this package take."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]
    IntArray = npt.NDArray[np.signedinteger]
    BoolArray = npt.NDArray[np.bool_]
else:
    # Many who convert a unit need no arrays, and numpy costs each process a quarter of a second.
    FloatArray = IntArray = BoolArray = Any

F = TypeVar("F", float, FloatArray)
"""A scalar in gives a scalar out, an array in gives an array out."""
