"""One formula for floats and for numpy arrays. numpy is imported only where an array is."""

import math
from collections.abc import Sequence
from numbers import Real
from typing import TYPE_CHECKING, TypeVar, cast

from longsoak.vocabulary.errors import PhysicsError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Numbers = TypeVar("Numbers", float, "Array")

_LONGEST = 60  # characters of a value in an error


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


def exp(x: Numbers) -> Numbers:
    """The exponential of `x`."""
    if isinstance(x, float):
        return math.exp(x)
    import numpy as np

    return cast("Numbers", np.exp(x))


def interpolated(x: "Array", xs: Sequence[float], ys: Sequence[float]) -> tuple["Array", "Array"]:
    """Values and slopes of the straight lines between the points, the last ones drawn on."""
    import numpy as np

    at, y = np.asarray(xs), np.asarray(ys)
    low = np.clip(np.searchsorted(at, x), 1, len(xs) - 1) - 1
    slopes = np.diff(y) / np.diff(at)
    slope = slopes[low]
    return y[low] + slope * (x - at[low]), slope


def scalar(argument: str, value: object, allowed: str) -> float:
    """A single number as a float, or the one error for what is none; its range is not looked at.

    Raises
    ------
    PhysicsError
        `value` is no real number (None, text, an array), or too large for floating point.
    """
    if value.__class__ is float:  # nearly always, and an interface takes long to look at
        return value
    if isinstance(value, Real):
        try:
            return float(value)
        except OverflowError:
            pass
    raise PhysicsError(argument, shown(value), allowed)


def as_array(argument: str, value: object, allowed: str) -> "Array":
    """Anything numpy takes for real numbers as an array of floats, or the one error.

    Raises
    ------
    PhysicsError
        `value` holds something that is no real number, or rows of unequal length.
    """
    import numpy as np

    try:
        array = np.asarray(value)
    except (TypeError, ValueError, OverflowError):
        raise PhysicsError(argument, shown(value), allowed) from None
    # Text that looks like a number would be taken for one if a type were asked for above.
    if array.dtype.kind not in "biuf":
        raise PhysicsError(argument, shown(value), allowed)
    return array.astype(np.float64, copy=False)


def shown(value: object) -> str:
    """A value as an error tells it: on one line and short, whatever it is."""
    try:
        text = " ".join(repr(value).split())
    except ValueError:  # an integer of more digits than Python prints
        return "an integer of thousands of digits"
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."


def checked(argument: str, value: Numbers, *, lowest: float, highest: float, unit: str) -> Numbers:
    """`value` as floating point, or the one error for what lies outside (NaN does).

    Raises
    ------
    PhysicsError
        `value` is no number, or one of its elements lies outside.
    """
    allowed = f"{lowest:g} to {highest:g} {unit}"
    if isinstance(value, int | float):
        single = scalar(argument, value, allowed)
        if not lowest <= single <= highest:
            raise PhysicsError(argument, single, allowed)
        return single
    array = as_array(argument, value, allowed)
    outside = ~((array >= lowest) & (array <= highest))
    if outside.any():
        raise PhysicsError(argument, float(array[outside][0]), allowed)
    return array
