"""The forms a curve is fitted in, straightened: linear in their coefficients. Pure.

log10 u over log10 R for the power law, log10 u over log10 log10 R for the double logarithm, and u
over log10(log10 R - 5) for the logarithm of the logarithm in megohm.
"""

import math
from math import inf, log10

from longsoak.core.regression import LeastSquares
from longsoak.core.relations import LN10
from longsoak.vocabulary.curve import Form
from longsoak.vocabulary.errors import PhysicsError

FORMS = (Form.POWER, Form.DOUBLE_LOG, Form.MEGOHM_LOG)
BELOW_FORM = {Form.POWER: -inf, Form.DOUBLE_LOG: 0.0, Form.MEGOHM_LOG: 5.0}  # log10 Ohm
_ABOVE_WORDS = {Form.DOUBLE_LOG: "more than 1 Ohm", Form.MEGOHM_LOG: "more than 0.1 MOhm"}


def straightened(form: Form, x: float) -> tuple[float, float]:
    """The regressor at x = log10(R/Ohm), and its slope over x.

    Raises
    ------
    PhysicsError
        The form has no value there.
    """
    if form is Form.POWER:
        return x, 1.0
    inner = x - BELOW_FORM[form]
    if inner <= 0.0:
        raise PhysicsError("resistance", f"{_exp10(x):.4g} Ohm", _ABOVE_WORDS[form])
    return log10(inner), 1.0 / (LN10 * inner)


def response_of(form: Form, moisture: float) -> float:
    """What is fitted: the moisture content in %, or its logarithm."""
    return moisture if form is Form.MEGOHM_LOG else log10(moisture)


def moisture_of(form: Form, y: float) -> float:
    """The inverse of `response_of`."""
    return y if form is Form.MEGOHM_LOG else _exp10(y)


def _exp10(y: float) -> float:
    """10 to the power of y, which may be wild: a left-out prediction must not overflow."""
    return math.pow(10.0, min(y, 300.0))


def coefficients_of(
    form: Form, line: LeastSquares
) -> tuple[tuple[float, float], tuple[tuple[float, float], tuple[float, float]]]:
    """Coefficients and covariance as `Curve` has them, by first-order propagation.

    Raises
    ------
    PhysicsError
        The line is level, which the form in moisture can't say.
    """
    p, q = line.coefficients[:2]
    (c_pp, c_pq), c_qq = line.covariance[0][:2], line.covariance[1][1]
    if form is Form.POWER:
        return (p, q), ((c_pp, c_pq), (c_pq, c_qq))
    if form is Form.DOUBLE_LOG:
        return (p, -q), ((c_pp, -c_pq), (-c_pq, c_qq))
    if q == 0.0:
        raise PhysicsError("moisture", "the same whatever the resistance", "one that falls")
    a, b = 1.0 / q, -p / q
    by_aa = c_qq * a**4
    by_ab = a**3 * (c_pq + b * c_qq)
    by_bb = a**2 * (c_pp + 2.0 * b * c_pq + b * b * c_qq)
    return (a, b), ((by_aa, by_ab), (by_ab, by_bb))
