"""One formula for floats and for numpy arrays. numpy is imported only where an array is."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, TypeVar, cast

from longsoak.vocabulary.errors import PhysicsError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Numbers = TypeVar("Numbers", float, "Array")


def log10(x: Numbers) -> Numbers:
    """Logarithm to the base 10."""
    if isinstance(x, float):
        return math.log10(x)
    import numpy as np

    return cast("Numbers", np.log10(x))


def exp10(x: Numbers) -> Numbers:
    """Ten to the power of `x`."""
    if isinstance(x, float):
        return math.pow(10.0, x)
    import numpy as np

    return cast("Numbers", np.power(10.0, x))


def interpolated(x: "Array", xs: Sequence[float], ys: Sequence[float]) -> tuple["Array", "Array"]:
    """Values and slopes of the straight lines between the points, the last ones drawn on."""
    import numpy as np

    at, y = np.asarray(xs), np.asarray(ys)
    low = np.clip(np.searchsorted(at, x), 1, len(xs) - 1) - 1
    slopes = np.diff(y) / np.diff(at)
    slope = slopes[low]
    return y[low] + slope * (x - at[low]), slope


def checked(argument: str, value: Numbers, *, lowest: float, highest: float, unit: str) -> Numbers:
    """`value` as floating point, or the one error for what lies outside (NaN does)."""
    if isinstance(value, int | float):
        scalar = float(value)
        if not lowest <= scalar <= highest:
            raise PhysicsError(argument, scalar, f"{lowest:g} to {highest:g} {unit}")
        return scalar
    import numpy as np

    array = np.asarray(value, dtype=np.float64)
    outside = ~((array >= lowest) & (array <= highest))
    if outside.any():
        raise PhysicsError(argument, float(array[outside][0]), f"{lowest:g} to {highest:g} {unit}")
    return array
