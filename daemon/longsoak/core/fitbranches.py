"""Whether wetting and drying samples lie on one line. Pure."""

from dataclasses import dataclass
from math import fsum

from longsoak.core.fitting import Branch, Fit, Shift
from longsoak.core.regression import least_squares
from longsoak.core.straightened import moisture_of, response_of, straightened
from longsoak.vocabulary.errors import PhysicsError


@dataclass(frozen=True, slots=True)
class Apart:
    """Two branches compared.

    `probability` is that of an F as large if both were one line. `by` is what drying samples hold
    more than wetting ones in the middle of the samples, % MC.
    """

    probability: float
    by: float


def branches_apart(found: Fit) -> Apart | None:
    """Compare a line for each branch with one for both, by an F test.

    Parameters
    ----------
    found : Fit
        Of any form. Pairs whose branch is not said take no part; a shift per kelvin is kept as
        it was found.

    Returns
    -------
    Apart or None
        None where a branch has fewer than two resistances, or no degree of freedom is left.

    Notes
    -----
    The two lines have two coefficients more than the one, and with 2 and v degrees of freedom the
    tail of F is ``(S_two / S_one)**(v / 2)``, S being the sums of squares. Source: common
    practice; checked against scipy in tests/reference/test_fit_coverage.py.
    """
    pairs = [pair for pair in found.pairs if pair.branch is not None]
    x = [straightened(found.form, found.log_resistance(pair))[0] for pair in pairs]
    y = [response_of(found.form, pair.moisture) for pair in pairs]
    drying = [1.0 if pair.branch is Branch.DRYING else 0.0 for pair in pairs]
    extra = 1 if found.shift is Shift.FITTED else 0
    freedom = len(pairs) - 4 - extra
    if freedom < 1:
        return None
    middle = fsum(x) / len(x)
    tilt = [d * (v - middle) for d, v in zip(drying, x, strict=True)]
    try:
        one, two = least_squares([x], y), least_squares([x, drying, tilt], y)
    except PhysicsError:  # one branch has no line of its own
        return None
    left, before = (fsum(r * r for r in line.residuals) for line in (two, one))
    if before <= 1e-18 * fsum(v * v for v in y):  # exact: nothing to tell apart
        return Apart(1.0, 0.0)
    at = one.at([middle])[0]
    by = moisture_of(found.form, at + two.coefficients[2] / 2.0) - moisture_of(
        found.form, at - two.coefficients[2] / 2.0
    )
    return Apart((left / before) ** (freedom / 2.0), by)
