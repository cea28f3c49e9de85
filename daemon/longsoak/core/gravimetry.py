"""Oven-dry moisture content from weighings. Pure."""

from dataclasses import dataclass
from math import hypot, inf

from longsoak.vocabulary.errors import PhysicsError


@dataclass(frozen=True, slots=True)
class Weighing:
    """One sample on the balance: as it was, then oven-dry. All in g.

    `tare` is what the container weighs that `wet` and `dry` include; None if there was none.
    """

    wet: float
    dry: float
    tare: float | None = None


def moisture(weighing: Weighing) -> float:
    """Water as a share of the oven-dry mass, %.

    Not of the wet mass: 18.6 % of the dry mass are 15.7 % of the wet one.

    Parameters
    ----------
    weighing : Weighing
        Masses in g; the dry one above the tare, the wet one not below the dry one.

    Returns
    -------
    float
        Moisture content, %, 0 or more.

    Raises
    ------
    PhysicsError
        A mass is not finite or not in that order.

    Notes
    -----
    ``u = 100 (wet - dry) / (dry - tare)``. Source: NT BUILD 302 (1986), section 4, read; all
    wood and building standards define it so.

    Examples
    --------
    >>> round(moisture(Weighing(wet=152.30, dry=128.45)), 4)
    18.5675
    """
    tare = weighing.tare or 0.0
    if not 0.0 <= tare < inf:
        raise PhysicsError("tare", f"{weighing.tare} g", "0 g or more, and finite")
    if not tare < weighing.dry < inf:
        raise PhysicsError("dry", f"{weighing.dry} g", f"more than the tare of {tare:g} g")
    if not weighing.dry <= weighing.wet < inf:
        raise PhysicsError("wet", f"{weighing.wet} g", f"at least the dry {weighing.dry:g} g")
    return 100.0 * (weighing.wet - weighing.dry) / (weighing.dry - tare)


def moisture_uncertainty(weighing: Weighing, *, balance: float) -> float:
    """Standard uncertainty of `moisture` that comes from the balance, % MC.

    Each weighing has the same standard uncertainty, and they are independent; the container's
    counts only if it was weighed. What the oven leaves in or drives out comes on top.

    Parameters
    ----------
    weighing : Weighing
        As for `moisture`.
    balance : float
        Standard uncertainty of one weighing, g, 0 or more.

    Raises
    ------
    PhysicsError
        As for `moisture`, or `balance` is negative or not finite.

    Notes
    -----
    First order, JCGM 100 (GUM), 5.1.2, from memory.
    """
    if not 0.0 <= balance < inf:
        raise PhysicsError("balance", f"{balance} g", "0 g or more, and finite")
    per_cent = moisture(weighing)
    net = weighing.dry - (weighing.tare or 0.0)
    by_wet = 100.0 / net
    by_dry = -(100.0 + per_cent) / net
    by_tare = 0.0 if weighing.tare is None else per_cent / net
    return balance * hypot(by_wet, by_dry, by_tare)
