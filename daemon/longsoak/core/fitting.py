"""A curve from paired samples: resistance and oven-dry moisture, by ordinary least squares. Pure.

The form is straightened first (see `longsoak.core.straightened`). Moisture is regressed on
resistance, never the other way round, for moisture is what a reading asks for; its prediction
interval follows directly.

Sources: the procedure is common practice, after the scopes of ASTM D4444 and C1789 and of
NT BUILD 420 (read) and the calibration sheet built on them (from memory). The least squares are
checked against JCGM 100 (GUM) H.3 and the NIST data set Norris in tests/reference/test_fitting.py.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import fsum, inf, isfinite, log10, sqrt

from longsoak.core.regression import LeastSquares, least_squares, student_quantile
from longsoak.core.straightened import (
    BELOW_FORM,
    FORMS,
    coefficients_of,
    moisture_of,
    response_of,
    straightened,
)
from longsoak.vocabulary.curve import SPREAD, Form
from longsoak.vocabulary.errors import PhysicsError

ENOUGH_FOR_TEMPERATURE = 6  # pairs: three coefficients, and as many left to judge them by
COVERAGE = 0.95
MOST_PER_KELVIN = 1.0  # decades, as far as a rig file goes; doubling every 10 K is 0.03
_TIED = 10.0  # variance inflation beyond which two regressors can't be told apart: common practice


class Branch(StrEnum):
    """Whether a sample was taking water up or giving it off when it was measured."""

    WETTING = "wetting"
    DRYING = "drying"


class Shift(StrEnum):
    """Where the shift of log10 R per kelvin comes from, or why there is none."""

    FITTED = "fitted with the curve"
    GIVEN = "given"
    NARROW = "none: the temperatures spread less than 3 K"
    FEW = "none: fewer than 6 pairs"
    TIED = "none: temperature and resistance change together"


@dataclass(frozen=True, slots=True)
class Pair:
    """One sample measured both ways.

    `resistance` in Ohm, `temperature` in degC, `moisture` in % of the oven-dry mass.
    """

    resistance: float
    temperature: float
    moisture: float
    sample: str = ""
    branch: Branch | None = None


@dataclass(frozen=True, slots=True)
class Fit:
    """A form fitted to pairs.

    `line` is the straightened line; in it the temperature, if fitted, is the third regressor.
    `fitted` is the moisture the curve gives for each pair and `left_out` what a curve fitted to
    the others gives, both in %. `studentised` are the residuals against a curve fitted to the
    others, in their own standard deviations. `coefficients` and `covariance` are those of `Curve`.
    """

    form: Form
    pairs: tuple[Pair, ...]
    reference_temperature: float
    shift: Shift
    per_kelvin: float
    per_kelvin_uncertainty: float
    with_shift: tuple[float, float]
    line: LeastSquares
    fitted: tuple[float, ...]
    left_out: tuple[float, ...]
    studentised: tuple[float, ...]
    coefficients: tuple[float, float]
    covariance: tuple[tuple[float, float], tuple[float, float]]
    spent: float = 0.0

    @property
    def error(self) -> float:
        """Root of the mean squared residual, % MC."""
        return _rms(p.moisture - u for p, u in zip(self.pairs, self.fitted, strict=True))

    @property
    def left_out_error(self) -> float:
        """The same with each pair predicted by a curve it had no part in; `inf` if that fails."""
        return _rms(p.moisture - u for p, u in zip(self.pairs, self.left_out, strict=True))

    @property
    def falls(self) -> bool:
        """Whether moisture falls as resistance rises."""
        return self.line.coefficients[1] < 0.0

    @property
    def tells(self) -> bool:
        """Whether it falls by more than chance would have it, at 95 %."""
        t = student_quantile(0.5 + COVERAGE / 2.0, self.line.freedom)
        return self.line.coefficients[1] + t * sqrt(self.line.covariance[1][1]) < 0.0

    @property
    def correlation(self) -> float:
        """Correlation of the two coefficients; 0 where the fit is exact."""
        (c_aa, c_ab), (_, c_bb) = self.covariance
        return c_ab / sqrt(c_aa * c_bb) if c_aa * c_bb > 0.0 else 0.0

    def log_resistance(self, pair: Pair) -> float:
        """log10 of a pair's resistance in Ohm at the reference temperature."""
        away = pair.temperature - self.reference_temperature
        return log10(pair.resistance) + self.per_kelvin * away


def fit(
    pairs: Sequence[Pair],
    form: Form,
    *,
    reference_temperature: float | None = None,
    per_kelvin: float | None = None,
    u_per_kelvin: float = 0.0,
) -> Fit:
    """Fit one form.

    Parameters
    ----------
    pairs : sequence of Pair
        At least 3; at least 4 with a fitted temperature, which needs 6 to be tried.
    form : Form
        One of `FORMS`.
    reference_temperature : float, optional
        degC. Left out, or where no shift leads to it: the mean of the pairs.
    per_kelvin : float, optional
        What log10 R is raised by for each kelvin above the reference. Left out, it is fitted
        along if the pairs allow it, else nothing is corrected.
    u_per_kelvin : float
        Standard uncertainty of a given `per_kelvin`, decades per kelvin; without one it is idle.

    Raises
    ------
    PhysicsError
        Too few pairs, moisture or resistance that never changes, a resistance too low for the
        form, or temperatures that no shift explains.

    Notes
    -----
    With a fitted temperature the line is linear in it only for the power law. The two others are
    solved by Gauss-Newton steps; covariance and left-out predictions are then first-order.
    """
    if form not in FORMS:
        raise PhysicsError("form", form.value, f"one of {', '.join(FORMS)}")
    for pair in pairs:
        if not (0.0 < pair.resistance < inf and 0.0 < pair.moisture < inf):
            found = f"{pair.resistance} Ohm with {pair.moisture} %"
            raise PhysicsError("pair", found, "both more than 0, and finite")
        if not isfinite(pair.temperature):
            raise PhysicsError("temperature", f"{pair.temperature} degC", "a finite number")
    if len(pairs) < 3:
        raise PhysicsError("number of pairs", len(pairs), "at least 3")
    x = [log10(p.resistance) for p in pairs]
    shift = _shift(x, [p.temperature for p in pairs], per_kelvin)
    if reference_temperature is None or shift not in (Shift.FITTED, Shift.GIVEN):
        reference_temperature = fsum(p.temperature for p in pairs) / len(pairs)
    away = [p.temperature - reference_temperature for p in pairs]
    y = [response_of(form, p.moisture) for p in pairs]
    if max(y) == min(y):
        raise PhysicsError("moisture", f"{pairs[0].moisture:g} % in every pair", "several")
    if max(x) == min(x):
        raise PhysicsError("resistance", f"{pairs[0].resistance:g} Ohm in every pair", "several")
    k, u_k, with_shift = per_kelvin or 0.0, 0.0, (0.0, 0.0)
    if shift is Shift.FITTED:
        k, line = _with_temperature(form, x, away, y)
        slope = line.coefficients[1]
        u_k = sqrt(line.covariance[2][2]) / abs(slope)
        # The third coefficient is the shift's error times the slope.
        with_shift = line.covariance[2][0] / slope, line.covariance[2][1] / slope
    else:
        line = _shifted(form, x, away, y, k)
        if shift is Shift.GIVEN and u_per_kelvin:
            u_k = u_per_kelvin
            turned = _turned_by_shift(form, x, away, y, k)
            line = replace(
                line,
                covariance=tuple(
                    tuple(c + a * b * u_k**2 for c, b in zip(row, turned, strict=True))
                    for row, a in zip(line.covariance, turned, strict=True)
                ),
            )
            with_shift = turned[0] * u_k**2, turned[1] * u_k**2
    coefficients, covariance = coefficients_of(form, line)
    return Fit(
        form=form,
        pairs=tuple(pairs),
        reference_temperature=reference_temperature,
        shift=shift,
        per_kelvin=k,
        per_kelvin_uncertainty=u_k,
        with_shift=with_shift,
        line=line,
        fitted=tuple(moisture_of(form, v - e) for v, e in zip(y, line.residuals, strict=True)),
        left_out=tuple(
            moisture_of(form, v - e / (1.0 - h)) if 1.0 - h > 1e-9 else inf
            for v, e, h in zip(y, line.residuals, line.leverages, strict=True)
        ),
        studentised=_studentised(line),
        coefficients=coefficients,
        covariance=covariance,
    )


def moisture_steps(pairs: Sequence[Pair]) -> int:
    """How many moisture contents are told apart, by more than a twentieth of their range."""
    moistures = sorted(pair.moisture for pair in pairs)
    apart, steps, start = (moistures[-1] - moistures[0]) / 20.0, 1, moistures[0]
    for moisture in moistures:
        if moisture - start > apart:
            steps, start = steps + 1, moisture
    return steps


def _shift(x: Sequence[float], away: Sequence[float], per_kelvin: float | None) -> Shift:
    if per_kelvin is not None:
        return Shift.GIVEN
    if max(away) - min(away) < SPREAD:
        return Shift.NARROW
    if len(x) < ENOUGH_FOR_TEMPERATURE:
        return Shift.FEW
    alike = least_squares([x], away).r_squared
    return Shift.TIED if 1.0 - alike < 1.0 / _TIED else Shift.FITTED


def _with_temperature(
    form: Form, x: Sequence[float], away: Sequence[float], y: Sequence[float]
) -> tuple[float, LeastSquares]:
    """The shift per kelvin and the line with it: Gauss-Newton steps from no shift at all."""
    k = 0.0
    for _ in range(60):
        straight = [straightened(form, v + k * d) for v, d in zip(x, away, strict=True)]
        turned = [slope * d for (_, slope), d in zip(straight, away, strict=True)]
        line = least_squares([[z for z, _ in straight], turned], y)
        if line.coefficients[1] == 0.0:
            break
        step = line.coefficients[2] / line.coefficients[1]
        if abs(step) < 1e-11:
            return k + step, line
        while any(
            v + (k + step) * d <= BELOW_FORM[form] for v, d in zip(x, away, strict=True)
        ):  # a step may overshoot to where the form has no value
            step *= 0.5
        k += step
        if abs(k) > MOST_PER_KELVIN:
            break
    raise PhysicsError(
        "shift per kelvin",
        "not to be found in these pairs",
        f"one between {-MOST_PER_KELVIN:g} and {MOST_PER_KELVIN:g}",
    )


def _shifted(
    form: Form, x: Sequence[float], away: Sequence[float], y: Sequence[float], k: float
) -> LeastSquares:
    """The line with a shift per kelvin that is known."""
    straight = [straightened(form, v + k * d)[0] for v, d in zip(x, away, strict=True)]
    return least_squares([straight], y)


def _turned_by_shift(
    form: Form, x: Sequence[float], away: Sequence[float], y: Sequence[float], k: float
) -> tuple[float, float]:
    """By how much constant and slope of the line go with a known shift per kelvin.

    Where the pairs lie far from the reference temperature, a wrong shift moves the whole line, and
    a reading back at their own temperature must not pay for it twice.
    """
    step = 1e-5
    low, high = (_shifted(form, x, away, y, k + sign * step) for sign in (-1.0, 1.0))
    constant, slope = (
        (b - a) / (2.0 * step) for a, b in zip(low.coefficients, high.coefficients, strict=True)
    )
    return constant, slope


def _rms(values: Iterable[float]) -> float:
    errors = list(values)
    return math.hypot(*errors) / sqrt(len(errors))


def _studentised(line: LeastSquares) -> tuple[float, ...]:
    """Deleted residuals: a plain studentised one can't exceed the root of `freedom`."""
    if line.freedom < 2:
        return (0.0,) * len(line.residuals)
    squares = line.freedom * line.deviation**2
    found = []
    for e, h in zip(line.residuals, line.leverages, strict=True):
        free = 1.0 - h
        rest = (squares - e * e / free) / (line.freedom - 1) if free > 1e-9 else 0.0
        # Rounding alone must not make an outlier of a point on an exact line.
        tiny = 1e-12 * (1.0 + abs(line.coefficients[0]))
        if abs(e) < tiny or free <= 1e-9:
            found.append(0.0)
        else:
            found.append(e / sqrt(max(rest * free, tiny * tiny)))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Prediction:
    """Moisture in % at a resistance, with 95 % intervals for one reading and for the curve.

    `within` is false outside the resistances it was fitted on.
    """

    resistance: float
    value: float
    reading: tuple[float, float]
    curve: tuple[float, float]
    within: bool


def predict(found: Fit, resistance: float) -> Prediction:
    """What a fitted curve gives for a resistance at its reference temperature.

    Parameters
    ----------
    found : Fit
        Of any form.
    resistance : float
        Ohm, more than 0.

    Returns
    -------
    Prediction
        For the two forms in log10 u the value is a median, and its intervals are not symmetrical.

    Raises
    ------
    PhysicsError
        The form has no value at this resistance.

    Notes
    -----
    ``y +/- t s sqrt(1 + h)`` for one new reading, ``y +/- t s sqrt(h)`` for the curve, t at
    0.975 and the residual's degrees of freedom. Source: common practice, as in the sheet; checked
    in tests/reference.
    """
    if not 0.0 < resistance < inf:
        raise PhysicsError("resistance", f"{resistance} Ohm", "more than 0, and finite")
    x = log10(resistance)
    row = [straightened(found.form, x)[0], *[0.0] * (len(found.line.coefficients) - 2)]
    y, variance = found.line.at(row)
    t = student_quantile(0.5 + COVERAGE / 2.0, found.line.freedom)
    ends = []
    for spread in (sqrt(found.line.deviation**2 + variance), sqrt(variance)):
        low, high = (moisture_of(found.form, y + sign * t * spread) for sign in (-1.0, 1.0))
        ends.append((max(0.0, low), high))
    seen = [found.log_resistance(pair) for pair in found.pairs]
    within = min(seen) - 1e-9 <= x <= max(seen) + 1e-9
    return Prediction(resistance, moisture_of(found.form, y), ends[0], ends[1], within)
