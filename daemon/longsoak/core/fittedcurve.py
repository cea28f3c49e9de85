"""A fit as a curve that a rig file can name. Pure."""

from math import sqrt

from longsoak.core.fitting import Fit, Shift
from longsoak.core.straightened import straightened
from longsoak.vocabulary.curve import Correction, Curve, Form, MadeFor


def curve_of(found: Fit, *, name: str, made_for: MadeFor, source: str, fitted_on: str) -> Curve:
    """The fit as a curve that a rig file can name.

    A form in log10 u keeps its covariance and scatter. That in u scatters alike everywhere, so it
    keeps the standard uncertainty of one reading at the worse end of its range, in % MC.
    """
    uncertainty, covariance, residual = 0.0, None, 0.0
    if found.form is Form.MEGOHM_LOG:
        ends = [found.log_resistance(pair) for pair in found.pairs]
        pad = [0.0] * (len(found.line.coefficients) - 2)
        uncertainty = max(
            sqrt(found.line.deviation**2 + found.line.at([straightened(found.form, x)[0], *pad])[1])
            for x in (min(ends), max(ends))
        )
    else:
        covariance, residual = found.covariance, found.line.deviation
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
    )
