"""What a curve itself leaves uncertain of one piece's moisture content. Pure."""

import math
from math import sqrt

from longsoak.core.regression import student_quantile
from longsoak.core.relations import LN10
from longsoak.vocabulary.curve import Correction, Curve, Form

_MANY = 61.0  # degrees of freedom from where Student's 95 % quantile is below 2


def curve_uncertainty(u: float, x: float, *, per_decade: float, away: float, curve: Curve) -> float:
    """The curve's own standard uncertainty for one piece at its reference temperature, % MC.

    Parameters
    ----------
    u : float
        Moisture content the curve gives, %.
    x : float
        log10 of the resistance in Ohm, at the reference temperature.
    per_decade : float
        Slope of the curve there, % MC per unit of x.
    away : float
        The wood's temperature less the reference temperature, K.
    curve : Curve
        The curve. What its shift per kelvin leaves uncertain is part of it: the two come from one
        fit and so depend on each other.

    Returns
    -------
    float
        As its data say, whatever its degrees of freedom: see `widened`.

    Notes
    -----
    First-order propagation, JCGM 100 5.2.2 (from memory).
    """
    by_k = 0.0
    if curve.correction is Correction.RESISTANCE:
        by_k = per_decade * away
    elif curve.correction is Correction.MOISTURE:
        by_k = away
    variance = (by_k * curve.per_kelvin_uncertainty) ** 2
    if curve.covariance is None:
        variance += curve.uncertainty**2
    else:
        # A fitted curve's prediction for one new piece: its own scatter, that of its coefficients.
        (c_aa, c_ab), (_, c_bb) = curve.covariance
        c_ka, c_kb = curve.per_kelvin_covariance
        if curve.form is Form.MEGOHM_LOG:
            a = curve.coefficients[0]
            by_a, by_b = -u / a, -1.0 / a
        else:
            by_a = LN10 * u
            by_b = by_a * (-math.log10(x) if curve.form is Form.DOUBLE_LOG else x)
        variance += (LN10 * u * curve.residual) ** 2
        variance += by_a * by_a * c_aa + 2 * by_a * by_b * c_ab + by_b * by_b * c_bb
        variance += 2 * by_k * (by_a * c_ka + by_b * c_kb)
    return sqrt(max(0.0, variance))


def widened(own: float, *, others: float, freedom: float | None) -> float:
    """The curve's own part of a budget, so that twice the whole holds 95 %.

    A scatter found from few pairs may itself be too small. The truth then follows Student's t
    about the value, with the effective degrees of freedom of Welch and Satterthwaite, and what is
    displayed everywhere as +/- 2u would hold less than it says: 86 % with 3 degrees. The whole is
    therefore multiplied by half of Student's 95 % quantile, and the widening is put on the part
    it comes from, so that the parts still add in squares.

    This keeps what a standard uncertainty is. From 4 degrees up the result is within 2 % of the
    standard deviation of that t distribution, which JCGM 101 states as the standard uncertainty;
    for less, that deviation grows without end and would hold more than 95 %. A coverage factor
    beside the bare figure would have to be kept with each reading and heeded by all who double it.

    Parameters
    ----------
    own, others : float
        Standard uncertainty of the curve, and of everything else together, % MC.
    freedom : float or None
        Degrees of freedom `own` rests on, 1 or more; None for many.

    Returns
    -------
    float
        % MC, never below `own`.

    Notes
    -----
    Source: JCGM 100 G.3 and G.4, JCGM 101 6.4.9; from memory. Checked by simulated fits in
    tests/coverage.
    """
    if freedom is None or own == 0.0:
        return own
    effective = freedom * (1.0 + (others / own) ** 2) ** 2
    if effective >= _MANY:
        return own
    half = max(1.0, student_quantile(0.975, effective) / 2.0)
    return sqrt((half * own) ** 2 + (half * half - 1.0) * others**2)
