"""A fit as a curve that a rig file can name. Pure."""

from math import sqrt

from longsoak.core.fitting import Fit, Shift
from longsoak.core.straightened import straightened
from longsoak.vocabulary.curve import Correction, Curve, Form, MadeFor


def curve_of(found: Fit, *, name: str, made_for: MadeFor, source: str, fitted_on: str) -> Curve:
    """The fit as a curve that a rig file can name.

    A form in log10 u keeps its covariance and scatter. That in u scatters alike everywhere, so it
    keeps one standard uncertainty of one reading, in % MC: see `_worst`.
    """
    uncertainty, covariance, residual = 0.0, None, 0.0
    per_kelvin_covariance = (0.0, 0.0)
    if found.form is Form.MEGOHM_LOG:
        uncertainty = _worst(found)
    else:
        covariance, residual = found.covariance, found.line.deviation
        with_constant, with_slope = found.with_shift
        if found.form is Form.DOUBLE_LOG:  # which has b with the other sign
            with_slope = -with_slope
        per_kelvin_covariance = with_constant, with_slope
    corrects = found.shift in (Shift.FITTED, Shift.GIVEN)
    return Curve(
        name=name,
        form=found.form,
        made_for=made_for,
        lowest=round(min(pair.moisture for pair in found.pairs), 9),  # weighings divide unevenly
        highest=round(max(pair.moisture for pair in found.pairs), 9),
        reference_temperature=found.reference_temperature,
        correction=Correction.RESISTANCE if corrects else Correction.NONE,
        source=source,
        fitted_on=fitted_on,
        coefficients=found.coefficients,
        per_kelvin=found.per_kelvin if corrects else 0.0,
        uncertainty=uncertainty,
        covariance=covariance,
        residual=residual,
        freedom=found.line.freedom,
        per_kelvin_uncertainty=found.per_kelvin_uncertainty,
        per_kelvin_covariance=per_kelvin_covariance,
    )


def _worst(found: Fit) -> float:
    """Standard uncertainty in u of one reading where it is largest among the pairs, % MC.

    Taken at every resistance and at the coldest, the reference and the warmest temperature. What
    the shift per kelvin leaves uncertain by itself is taken off, for a curve has that apart; its
    covariance with the line, which a curve of this form has no place for, stays in.
    """
    away = [pair.temperature - found.reference_temperature for pair in found.pairs]
    fitted = found.shift is Shift.FITTED
    variances = []
    for pair in found.pairs:
        z, slope = straightened(found.form, found.log_resistance(pair))
        for kelvin in (min(away), 0.0, max(away)) if fitted else (0.0,):
            turned = [slope * kelvin] if fitted else []
            own = (turned[0] ** 2) * found.line.covariance[2][2] if fitted else 0.0
            variances.append(found.line.at([z, *turned])[1] - own)
    return sqrt(found.line.deviation**2 + max(variances))
