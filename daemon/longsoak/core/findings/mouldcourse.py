"""Mould index at one place from hourly means, with what is unknown of it. Pure.

The index is `core.mould`'s, carried on step by step. What the readings leave open is told in two
ways: an uncertainty, from what the two probes may be off by all along, and bounds, between which
the index lies whatever the air was like while nothing good was read.
"""

from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING

from longsoak.core.arrays import as_array
from longsoak.core.findings.windows import LEAST_COVERED
from longsoak.core.mould import Decline, Sensitivity, along
from longsoak.vocabulary.errors import PhysicsError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from longsoak.core.arrays import Array

    Bools = NDArray[np.bool_]

_SATURATED, _DRY = 100.0, 0.0  # % RH
_COLDEST, _HOTTEST = -100.0, 60.0  # degC, as far as the model goes
_USUAL = 20.0  # degC, where nothing was read at all

Air = tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class MouldCourse:
    """The index at the ends of all steps, the beginning among them: one more than there are steps.

    `uncertainty` is standard. `least` and `most` are what it can have been with the worst and the
    best of air while nothing good was read; they are the index itself until then. `known` tells of
    each step whether both probes were read in it.
    """

    index: "Array"
    uncertainty: "Array"
    least: "Array"
    most: "Array"
    known: "Bools"


def mould_course(
    temperatures: object,
    *,
    humidities: object,
    temperature_uncertainties: object,
    humidity_uncertainties: object,
    bounds: object | None = None,
    hours: float = 1.0,
    material: Sensitivity,
    decline: Decline | None = None,
) -> MouldCourse:
    """Carry the index on from 0 over steps of one length.

    Parameters
    ----------
    temperatures, humidities : array
        Means of each step, degC and %; NaN where too little was read.
    temperature_uncertainties, humidity_uncertainties : array
        Standard, of these means; not looked at where there is no mean.
    bounds : array of bool, optional
        Where a mean is only a bound, so that nothing is known of the air.
    hours : float
        Length of a step, above 0.
    material : Sensitivity
        The class of the surface.
    decline : Decline or None
        How fast the index falls. None is not known: then the index falls as slowly as on any
        material, and the least it can be as fast.

    Returns
    -------
    MouldCourse
        Over a step in which nothing was read the index stays; the most it can be grows as in
        saturated air as warm as it was at its warmest, the least falls as in dry air.

    Raises
    ------
    PhysicsError
        Arrays differ in length, or a number is not as described.

    Notes
    -----
    What a probe is off by is taken as the same all along, so both its signs are tried over the
    whole course; the larger change counts, and those of the two probes are independent. The error
    of the model itself is in none of it.

    An hour of growth in a dry spell begins the decline anew, at its fast rate, so that damper air
    can leave the index lower for some hours, by up to 0.008 (6 h of the fast rate).
    """
    import numpy as np

    t, rh, u_t, u_rh = (
        as_array(name, given, "numbers")
        for name, given in (
            ("temperatures", temperatures),
            ("humidities", humidities),
            ("temperature_uncertainties", temperature_uncertainties),
            ("humidity_uncertainties", humidity_uncertainties),
        )
    )
    if len({len(each) for each in (t, rh, u_t, u_rh)}) != 1:
        raise PhysicsError("humidities", f"{len(rh)} of them", f"as many as temperatures, {len(t)}")
    if not (hours > 0 and isfinite(hours)):
        raise PhysicsError("hours", hours, "more than 0 h")
    known = np.isfinite(t) & np.isfinite(rh)
    for name, each in (("temperature_uncertainties", u_t), ("humidity_uncertainties", u_rh)):
        if (known & ~(np.isfinite(each) & (each >= 0))).any():
            raise PhysicsError(name, "none", "0 or more where there is a mean")
    sure = known if bounds is None else known & ~np.asarray(bounds, dtype=bool)

    slow = Decline.ALMOST_NONE if decline is None else decline
    fast = Decline.SIGNIFICANT if decline is None else decline
    warmest = float(np.max(t[known])) if known.any() else _USUAL

    def carried(
        at: "Array",
        humid: "Array",
        good: "Bools" = known,
        *,
        falls: Decline = slow,
        gap: Air = None,
    ) -> "Array":
        return np.array(
            along(_airs(at, humid, good, gap), hours=hours, material=material, decline=falls)
        )

    index = carried(t, rh)
    apart = [
        np.maximum(*(np.abs(carried(t + k * s, rh + k * r) - index) for k in (-1.0, 1.0)))
        for s, r in ((u_t, 0.0 * u_rh), (0.0 * u_t, u_rh))
    ]
    whole = bool(sure.all())
    return MouldCourse(
        index,
        np.hypot(*apart),
        index if whole and fast is slow else carried(t, rh, sure, falls=fast, gap=(_USUAL, _DRY)),
        index if whole else carried(t, rh, sure, gap=(warmest, _SATURATED)),
        known,
    )


def _airs(temperatures: "Array", humidities: "Array", known: "Bools", gap: Air) -> list[Air]:
    """Temperature and humidity of each step, as far as the model goes; `gap` where not known."""
    import numpy as np

    t = np.clip(temperatures, _COLDEST, _HOTTEST).tolist()
    rh = np.clip(humidities, _DRY, _SATURATED).tolist()
    return [
        (at, humid) if good else gap for at, humid, good in zip(t, rh, known.tolist(), strict=True)
    ]


@dataclass(frozen=True, slots=True)
class MouldWindows:
    """The highest index in each window, with its uncertainty and bounds; NaN where unknown."""

    values: "Array"
    uncertainties: "Array"
    least: "Array"
    most: "Array"


def highest_in(course: MouldCourse, *, begins: int, length: int, edges: object) -> MouldWindows:
    """Take the highest index in each window.

    Parameters
    ----------
    course : MouldCourse
        What it was.
    begins, length : int
        Where its first step begins, and how long each is, ms.
    edges : array
        Where windows begin and end, ms, rising, within the course.

    Returns
    -------
    MouldWindows
        Of every step that reaches into a window. A window of whose steps less than half are known
        has no value: what the index has come to is known only from before.

    Raises
    ------
    PhysicsError
        A window lies outside the course.
    """
    import numpy as np

    at = np.asarray(edges, dtype=np.int64) - begins
    first, last = at[:-1] // length, -(-at[1:] // length)
    if len(at) > 1 and (first.min() < 0 or last.max() >= len(course.index)):
        raise PhysicsError("edges", "a window outside the course", "windows within it")
    rows = []
    for low, high in zip(first.tolist(), last.tolist(), strict=True):
        if course.known[low:high].mean() < LEAST_COVERED:
            rows.append((np.nan,) * 4)
            continue
        inside = slice(low, high + 1)
        top = low + int(np.argmax(course.index[inside]))
        rows.append(
            (
                course.index[top],
                course.uncertainty[top],
                course.least[inside].max(),
                course.most[inside].max(),
            )
        )
    table = np.array(rows, dtype=np.float64).reshape(-1, 4)
    return MouldWindows(*table.T)
