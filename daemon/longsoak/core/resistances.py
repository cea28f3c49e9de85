"""Resistances to moisture contents, many at once: for analysis. Pure."""

from math import inf
from typing import TYPE_CHECKING, NamedTuple

from longsoak.core.arrays import as_array, checked
from longsoak.core.indication import COLDEST, WARMEST
from longsoak.core.resistance import (
    CELSIUS,
    OHM,
    SLACK,
    PreparedCurve,
    from_reference,
    no_resistance,
)
from longsoak.vocabulary.curve import Correction
from longsoak.vocabulary.errors import PhysicsError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from longsoak.core.arrays import Array


class MoistureContents(NamedTuple):
    """Moisture contents in %, and which of them are only bounds: at least, and at most, that.

    A bound is no number for a mean; whoever takes statistics leaves both masks out, or counts them.
    """

    values: "Array"
    wetter: "NDArray[np.bool_]"
    drier: "NDArray[np.bool_]"


def moisture_contents(
    resistances: "Array", temperatures: "Array", curve: PreparedCurve
) -> "MoistureContents":
    """`moisture_content` for arrays of equal shape, without the uncertainty.

    Parameters
    ----------
    resistances : array
        Ohm, positive.
    temperatures : array
        Temperature of the wood, degC, -20 to 50; as many as resistances.
    curve : PreparedCurve
        The species' or material's curve.

    Raises
    ------
    PhysicsError
        An element is no number or outside its range, or there are more of one than of the other.
    """
    import numpy as np

    ohm = as_array("resistance", resistances, OHM)
    outside = ~((ohm > 0.0) & (ohm < inf))
    if outside.any():
        raise no_resistance(float(ohm[outside][0]))
    celsius = as_array("temperature", temperatures, CELSIUS)
    if celsius.shape != ohm.shape:
        raise PhysicsError(
            "temperature", f"of shape {celsius.shape}", f"{ohm.shape}, as the resistances have"
        )
    celsius = checked("temperature", celsius, lowest=COLDEST, highest=WARMEST, unit="degC")
    x = np.log10(ohm)
    kind = curve.curve
    if kind.correction is Correction.RESISTANCE:
        x = x + kind.per_kelvin * (celsius - kind.reference_temperature)
    wetter, drier = x < curve.wet_end - SLACK, x > curve.dry_end + SLACK
    u, _ = curve.relation.moisture(np.clip(x, curve.wet_end, curve.dry_end))
    values = from_reference(u, celsius, curve)
    above = (values > curve.most + SLACK) & ~drier
    below = (values < curve.least - SLACK) & ~wetter
    values = np.where(above, curve.most, np.where(below, curve.least, values))
    return MoistureContents(values, wetter | above, drier | below)
