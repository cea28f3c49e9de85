"""When a slow course becomes steady, and at what value. Pure; needs numpy.

Drying and wetting that come to rest do so exponentially; before that they go with the root of time,
and nothing in that early course tells where it will end. So an end is told only once the
course has bent far enough, and never from readings that stand at the end of their range.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

from longsoak.core.arrays import as_array, checked
from longsoak.core.elapsedwords import elapsed_words
from longsoak.core.findings.decision import Bound, DecisionRule, Outcome, ToleranceLimit, decide
from longsoak.core.findings.estimate import Estimate, checked_confidence
from longsoak.core.findings.exponential import Bins, Ending, binned, fit_end, variance_of_end
from longsoak.core.uptake import Undetermined, same_length
from longsoak.core.wording import with_noun
from longsoak.vocabulary.errors import PhysicsError

if TYPE_CHECKING:
    from longsoak.core.arrays import Array

FEWEST_READINGS = 60
# Out-of-range readings among the rest, up to this share, count as the end of the range: of normal
# scatter the mean is then off by 0.02 of its standard deviation (computed: the normal density at
# 1.645 less 0.05 times 1.645).
MOST_BEYOND = 0.05
_LAST = 0.1  # of the readings; those that say whether a plateau stands at the end of the range
_LONGEST = 20.0  # times what has run so far; no forecast goes further


@dataclass(frozen=True, slots=True)
class Course:
    """What a forecast goes on from: bins, their memory, the curve, and its scale of doubt."""

    step: float
    count: int
    memory: float
    doubt: float
    swing: float


@dataclass(frozen=True, slots=True)
class Settling:
    """Where a course tends, and when it is steady.

    `final` is in the unit of the readings, with its interval of `confidence` and its standard
    `uncertainty` (widened so that the interval is what a normal value of it would have; what all
    readings have in common is in both). `pace` is the time constant, s, None where the
    readings were level throughout. `steady_at` is when the course came, or will come, to within the
    stated distance of its final value, s on the scale of the times given. `left_out` readings at
    the beginning were out of range; `beyond` later ones were taken for the end of it. `effective`
    is how many independent ones of the 240 means or fewer, which readings were averaged to, would
    tell as much. `course` is what a forecast goes on from.
    """

    final: Estimate
    uncertainty: float
    confidence: float
    pace: Estimate | None
    steady_at: Estimate
    readings: int
    left_out: int
    beyond: int
    effective: float
    why: str
    common: float
    course: Course


@dataclass(frozen=True, slots=True)
class Forecast:
    """How much longer a test has to run until a limit is decided.

    `still` is s from the last reading on, 0 where it is decided already; `verdict` is what it will
    be if the final value is where it now seems.
    """

    still: float
    verdict: Outcome
    why: str


def settle(
    times: Sequence[float],
    *,
    values: Sequence[float],
    within: float,
    uncertainties: Sequence[float] | None = None,
    bounds: Sequence[Bound] | None = None,
    common_uncertainty: float = 0.0,
    confidence: float = 0.95,
) -> Settling | Undetermined:
    """Where a course tends, and when it is steady.

    Parameters
    ----------
    times : sequence of float
        Of the readings, s since the face met the water (or since it left), 0 or more, rising: on
        known wetted time, not on the clock's.
    values : sequence of float
        Readings in one unit.
    within : float
        How near the final value is steady, in that unit, above 0.
    uncertainties : sequence of float or None
        Standard uncertainty of each reading by itself, 0 or more, what it does not share with the
        others. None leaves it to the scatter; otherwise the scatter counts for no less.
    bounds : sequence of Bound or None
        Which readings are out of range, and at which end.
    common_uncertainty : float
        Standard uncertainty that all readings share, such as that of a curve, 0 or more. It does
        not shrink with their number.
    confidence : float
        Of the intervals, 0.5 to 0.999.

    Returns
    -------
    Settling or Undetermined
        Undetermined, and why, where there are fewer than 60 readings in range; where the last
        tenth of the readings stands at the end of the range; where the course still goes with the
        root of time, or straight on, as well as exponentially; where it has run for less than
        twice its time constant, or may have; and where what the curve leaves hangs together for
        so long that it tells no more than 8 independent readings.

    Raises
    ------
    PhysicsError
        A value is not finite, times do not rise, or an argument is outside its range.

    Notes
    -----
    Readings are averaged to 240 bins or fewer, and an exponential towards `a` fitted by generalised
    least squares, as if the noise were an autoregression of the first order; likewise the course of
    a slab that diffuses, which ends with an exponential. Intervals are those of the profile: all
    values of `a` that some time constant of either shape fits nearly as well. How nearly is taken
    from `longsoak.core.findings.serial.worth_of_mean` of what the curve leaves, so that the
    interval is as much wider than for independent readings as that of a mean would have to be.
    An exponential that begins later is the same exponential, so readings out of range at the
    beginning are left out and change nothing.

    Source: common practice; profile likelihood and generalised least squares from memory. Checked
    by simulation (tests/core/findings/test_settling.py).
    """
    share = checked_confidence(confidence)
    near = checked("within", within, lowest=1e-9, highest=1e9, unit="")
    common = checked("common_uncertainty", common_uncertainty, lowest=0.0, highest=1e9, unit="")
    t, y, u, beyond = _checked_series(times, values, uncertainties, bounds)
    tail = beyond[len(beyond) - max(1, math.ceil(_LAST * len(beyond))) :] if len(beyond) else beyond
    if len(tail) and float(tail.mean()) > MOST_BEYOND:
        return Undetermined(
            f"not determinable: {int(tail.sum())} of the last {with_noun(len(tail), 'reading')} "
            "stand at the end of the range, and the truth may lie anywhere beyond"
        )
    begin = _in_range_from(beyond)
    t, y, u, late = t[begin:], y[begin:], u[begin:], beyond[begin:]
    if len(t) < FEWEST_READINGS:
        return Undetermined(
            f"{with_noun(len(t), 'reading')} in range, and a final value needs at least "
            f"{FEWEST_READINGS}"
        )
    bins = binned(t, y, u)
    fitted = fit_end(bins, confidence=share)
    if isinstance(fitted, Undetermined):
        return fitted
    z = NormalDist().inv_cdf(0.5 + share / 2.0)
    low, high = (math.hypot(end, z * common) for end in (fitted.low, fitted.high))
    steady = _steady(fitted, near, bins)
    return Settling(
        final=Estimate(fitted.value, fitted.value - low, fitted.value + high),
        uncertainty=math.hypot((fitted.low + fitted.high) / (2.0 * z), common),
        confidence=share,
        pace=fitted.pace,
        steady_at=steady,
        readings=len(t),
        left_out=begin,
        beyond=int(late.sum()),
        effective=fitted.effective,
        why=fitted.why,
        common=common,
        course=Course(bins.step, len(bins.values), fitted.memory, fitted.doubt / z, fitted.swing),
    )


def time_to_decide(
    found: Settling | Undetermined, *, limit: ToleranceLimit, rule: DecisionRule
) -> Forecast | Undetermined:
    """How much longer a test has to run until a limit on its final value is decided.

    Parameters
    ----------
    found : Settling or Undetermined
        What has been found so far.
    limit : ToleranceLimit
        On the final value, in the unit of the readings.
    rule : DecisionRule
        Declared beforehand.

    Returns
    -------
    Forecast or Undetermined
        How long, if the final value is where it now seems, and readings go on as often and
        scatter as much as so far. Undetermined where there is no final value yet; where it lies
        so near the limit that what all readings have in common leaves it undecided for ever; and
        where it would take more than 20 times as long as it has run.

    Raises
    ------
    PhysicsError
        The limit is not finite.
    """
    if isinstance(found, Undetermined):
        return Undetermined(f"can't be told: there is no final value yet ({found.why})")
    now = decide(found.final.value, uncertainty=found.uncertainty, limit=limit, rule=rule)
    if now.verdict is not Outcome.UNDECIDED:
        return Forecast(0.0, now.verdict, now.why)
    verdict = Outcome.HELD if now.margin >= 0.0 else Outcome.BROKEN
    times = rule.held if verdict is Outcome.HELD else rule.broken
    needed = abs(now.margin) / times
    if found.common >= needed:
        return Undetermined(
            f"can't be told, however long it runs: the final value lies {abs(now.margin):.3g} from "
            f"the limit, and what all readings have in common leaves {found.common:.3g} in doubt, "
            f"at most {needed:.3g} allowed"
        )
    course = found.course
    pace = found.pace.value if found.pace is not None else None
    most = math.ceil(_LONGEST * course.count)

    def doubt(count: int) -> float:
        factor = 1.0 / count
        if pace is not None:
            factor = variance_of_end(
                count, step=course.step, pace=pace, swing=course.swing, memory=course.memory
            )
        own = course.doubt * math.sqrt(factor)
        return math.hypot(own, found.common)

    if doubt(most) > needed:
        return Undetermined(
            f"can't be told: it would take more than {_LONGEST:g} times as long as it has run, "
            f"for the final value lies only {abs(now.margin):.3g} from the limit"
        )
    low, high = course.count, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if doubt(middle) <= needed else (middle, high)
    still = (high - course.count) * course.step
    return Forecast(
        still,
        verdict,
        f"{elapsed_words(still)} more, if the final value is where it now seems, "
        f"{found.final.value:.4g}: it is then known to {needed:.2g} or better",
    )


def _checked_series(
    times: Sequence[float],
    values: Sequence[float],
    uncertainties: Sequence[float] | None,
    bounds: Sequence[Bound] | None,
) -> tuple["Array", "Array", "Array", "Array"]:
    import numpy as np

    same_length(times, values, "values")
    t = as_array("times", list(times), "seconds")
    y = as_array("values", list(values), "numbers")
    checked("times", t, lowest=0.0, highest=1e10, unit="s")
    checked("values", y, lowest=-1e9, highest=1e9, unit="")
    back = np.flatnonzero(np.diff(t) <= 0.0)
    if len(back):
        raise PhysicsError(
            "times", float(t[back[0] + 1]), f"more than {t[back[0]]:g} s, as they must rise"
        )
    u = np.zeros(len(t))
    if uncertainties is not None:
        same_length(times, uncertainties, "uncertainties")
        u = as_array("uncertainties", list(uncertainties), "numbers")
        checked("uncertainties", u, lowest=0.0, highest=1e9, unit="")
    beyond = np.zeros(len(t))
    if bounds is not None:
        if len(bounds) != len(times):
            raise PhysicsError("bounds", len(bounds), f"{len(times)} values, one for each time")
        beyond = np.array([float(bound is not Bound.NONE) for bound in bounds])
    return t, y, u, beyond


def _in_range_from(beyond: "Array") -> int:
    """From which reading on few enough are out of range, and the first is in it."""
    import numpy as np

    n = len(beyond)
    if not n:
        return 0
    after = np.cumsum(beyond[::-1])[::-1] / np.arange(n, 0, -1)
    good = np.flatnonzero((after <= MOST_BEYOND) & (beyond == 0.0))
    return int(good[0]) if len(good) else n


def _steady(fitted: Ending, within: float, bins: Bins) -> Estimate:
    """When the course came to within that of its end, s on the scale of the times."""
    import numpy as np

    if fitted.pace is None:
        return Estimate(bins.begin, bins.begin, bins.begin)
    after = fitted.taus * np.log(np.maximum(np.abs(fitted.swings) / within, 1.0))
    at = fitted.pace.value * math.log(max(abs(fitted.swing) / within, 1.0))
    return Estimate(
        bins.begin + at, bins.begin + float(after.min()), bins.begin + float(after.max())
    )
