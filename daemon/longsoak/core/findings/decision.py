"""Whether a limit was kept, given how well the value is known: held, broken or undecided. Pure.

A value close to a limit decides nothing when its uncertainty reaches across. How near is too near
is declared beforehand, as a risk of being wrong or as a guard band.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, StrEnum
from statistics import NormalDist

from longsoak.core.arrays import checked
from longsoak.core.findings.estimate import normal_below
from longsoak.core.regression import student_quantile, student_upper_tail
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.rig import Side

# Degrees of freedom from where Student's t is taken for normal.
_MANY = 1e6
_FEWEST_PANELS = 1000  # of Simpson's rule over what lies on one side of a limit
_REACH = 9.0  # standard deviations of the prior


class Bound(Enum):
    """Whether a measured value is one, or the end of a range that the truth lies beyond."""

    NONE = ""
    AT_LEAST = "at least"
    AT_MOST = "at most"


class Outcome(StrEnum):
    """What a measurement says of a limit."""

    HELD = "held"
    BROKEN = "broken"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class ToleranceLimit:
    """A value and the side of it that is allowed, the value itself included."""

    value: float
    side: Side

    def room(self, value: float) -> float:
        """How far `value` lies on the allowed side; negative beyond the limit."""
        return self.value - value if self.side is Side.AT_MOST else value - self.value


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """How far from a limit a value has to lie, in standard uncertainties of its own.

    Within the limit by `held` or more it is held, beyond it by `broken` or more it is broken.
    `consumers_risk` and `producers_risk` are what that leaves to chance for a normal value.
    """

    held: float
    broken: float
    consumers_risk: float
    producers_risk: float

    @property
    def words(self) -> str:
        """It in a sentence."""
        return (
            f"held from {self.held:.3g} standard uncertainties within the limit on (chance that it "
            f"is broken at most {100.0 * self.consumers_risk:.3g} %), broken from "
            f"{self.broken:.3g} beyond it on (chance that it is held at most "
            f"{100.0 * self.producers_risk:.3g} %), undecided between"
        )


@dataclass(frozen=True, slots=True)
class Decision:
    """A verdict with its margin and what it rests on, in the unit of the value.

    `margin` is how far the value lies on the allowed side, negative beyond the limit. `held_from`
    and `broken_from` are the values from which on it would be held and broken. `conforming` is the
    probability that the truth keeps the limit; None where the value is only a bound.
    """

    verdict: Outcome
    margin: float
    held_from: float
    broken_from: float
    conforming: float | None
    why: str


@dataclass(frozen=True, slots=True)
class GlobalRisk:
    """What a rule does in the long run, before anything is measured: probabilities.

    `wrongly_held` is that of a broken limit called held (the consumer's), `wrongly_broken` that of
    a kept one called broken (the producer's), `undecided` that of no verdict, `conforming` that the
    limit is kept at all.
    """

    wrongly_held: float
    wrongly_broken: float
    undecided: float
    conforming: float


def rule_of_risks(*, consumers: float, producers: float) -> DecisionRule:
    """The rule that keeps to stated risks for each single verdict.

    Parameters
    ----------
    consumers : float
        Highest probability that the limit is broken where the verdict is held, 0.0001 to 0.5.
    producers : float
        Highest probability that it is kept where the verdict is broken, 0.0001 to 0.5.

    Raises
    ------
    PhysicsError
        A risk is outside its range.

    Notes
    -----
    The guard band is the normal quantile times the standard uncertainty. 0.5 is no guard band:
    "simple acceptance", or shared risk.

    Source: JCGM 106, 8.3; from memory.
    """
    return DecisionRule(
        _factor("consumers", consumers), _factor("producers", producers), consumers, producers
    )


def rule_of_guard(factor: float) -> DecisionRule:
    """The rule with a guard band of a stated share of the expanded uncertainty, on both sides.

    Parameters
    ----------
    factor : float
        Guard band over the expanded uncertainty of twice the standard one, 0 to 1.5. 1 keeps a
        whole expanded uncertainty from the limit, which leaves 2.3 % to chance.

    Raises
    ------
    PhysicsError
        The factor is outside its range.

    Notes
    -----
    Source: JCGM 106, 8.3.2 (multiples of the expanded uncertainty); from memory.
    """
    times = 2.0 * checked("factor", factor, lowest=0.0, highest=1.5, unit="")
    risk = normal_below(-times)
    return DecisionRule(times, times, risk, risk)


def probability_of_conformity(
    value: float, *, uncertainty: float, limit: ToleranceLimit, freedom: float | None = None
) -> float:
    """How likely the truth keeps a limit, given one measured value.

    Parameters
    ----------
    value : float
        Measured value, in the limit's unit.
    uncertainty : float
        Its standard uncertainty, above 0.
    limit : ToleranceLimit
        What it is held against.
    freedom : float or None
        Degrees of freedom that the uncertainty rests on, 1 or more; None for many.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.

    Notes
    -----
    The share of a normal distribution about the value (Student's t where `freedom` is told) that
    lies on the allowed side; nothing else known of the truth.

    Source: JCGM 106, 7.3; from memory.
    """
    u, nu = _checked(value, uncertainty, limit, freedom)
    z = limit.room(value) / u
    if nu >= _MANY:
        return normal_below(z)
    tail = student_upper_tail(abs(z), nu)
    return 1.0 - tail if z > 0.0 else tail


def decide(
    value: float,
    *,
    uncertainty: float,
    limit: ToleranceLimit,
    rule: DecisionRule,
    freedom: float | None = None,
    bound: Bound = Bound.NONE,
) -> Decision:
    """Whether a limit was held, broken, or neither can be said.

    Parameters
    ----------
    value, uncertainty, limit, freedom
        As for `probability_of_conformity`. With few degrees of freedom the guard bands are widened
        to Student's t of the same risk.
    rule : DecisionRule
        Declared before the phase began.
    bound : Bound
        Whether the value is the end of a range that the truth lies beyond. It then decides only in
        the one direction that it tells of.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.

    Notes
    -----
    Source: JCGM 106, 8.2 and 8.3, guarded acceptance and guarded rejection together; from memory.
    """
    u, nu = _checked(value, uncertainty, limit, freedom)
    held, broken = (
        times if nu >= _MANY or risk >= 0.5 else -student_quantile(max(risk, 1e-9), nu)
        for times, risk in ((rule.held, rule.consumers_risk), (rule.broken, rule.producers_risk))
    )
    margin = limit.room(value)
    inward = -1.0 if limit.side is Side.AT_MOST else 1.0
    # At the limit itself, without a guard band, it is kept.
    verdict = Outcome.UNDECIDED
    if margin >= held * u:
        verdict = Outcome.HELD
    elif margin < 0.0 and -margin >= broken * u:
        verdict = Outcome.BROKEN
    tells = {
        Bound.NONE: (Outcome.HELD, Outcome.BROKEN),
        Bound.AT_LEAST: (Outcome.BROKEN if limit.side is Side.AT_MOST else Outcome.HELD,),
        Bound.AT_MOST: (Outcome.HELD if limit.side is Side.AT_MOST else Outcome.BROKEN,),
    }[bound]
    only_a_bound = verdict not in tells
    if only_a_bound:
        verdict = Outcome.UNDECIDED
    conforming = None
    if bound is Bound.NONE:
        conforming = probability_of_conformity(
            value, uncertainty=uncertainty, limit=limit, freedom=freedom
        )
    return Decision(
        verdict,
        margin,
        limit.value + inward * held * u,
        limit.value - inward * broken * u,
        conforming,
        _why(verdict, margin / u, held, broken, bound=bound if only_a_bound else Bound.NONE),
    )


def global_risk(
    *, mean: float, deviation: float, uncertainty: float, limit: ToleranceLimit, rule: DecisionRule
) -> GlobalRisk:
    """What a rule does in the long run to specimens of a stated kind.

    Parameters
    ----------
    mean, deviation : float
        Of the normal distribution that true values come from (the prior), in the limit's unit;
        `deviation` from 0.001 to 100 of the uncertainty.
    uncertainty : float
        Standard uncertainty of a measurement, above 0.
    limit, rule
        As for `decide`.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.

    Notes
    -----
    Integrates the probability of each verdict, given the truth, over the prior, by Simpson's rule
    on either side of the limit.

    Source: JCGM 106, 9.5 (global risks, as joint probabilities); from memory, and checked against
    numerical integration by another library.
    """
    u, _ = _checked(mean, uncertainty, limit, None)
    sd = u * checked(
        "deviation", deviation / u, lowest=1e-3, highest=100.0, unit="standard uncertainties"
    )
    panels = 2 * math.ceil(max(_FEWEST_PANELS, 200.0 * sd / u) / 2.0)
    z_limit = limit.room(mean) / sd  # kept where the prior's own room is more than -z_limit

    def held(z: float) -> float:
        return normal_below((limit.room(mean) + z * sd) / u - rule.held)

    def broken(z: float) -> float:
        return normal_below(-(limit.room(mean) + z * sd) / u - rule.broken)

    edge = min(max(-z_limit, -_REACH), _REACH)
    wrongly_held = _over_prior(held, -_REACH, edge, panels)
    wrongly_broken = _over_prior(broken, edge, _REACH, panels)
    some = wrongly_held + wrongly_broken
    some += _over_prior(held, edge, _REACH, panels) + _over_prior(broken, -_REACH, edge, panels)
    return GlobalRisk(wrongly_held, wrongly_broken, max(0.0, 1.0 - some), normal_below(z_limit))


def _factor(argument: str, risk: float) -> float:
    checked(argument, risk, lowest=1e-4, highest=0.5, unit="as a share")
    return -NormalDist().inv_cdf(risk)


def _checked(
    value: float, uncertainty: float, limit: ToleranceLimit, freedom: float | None
) -> tuple[float, float]:
    """The standard uncertainty, and its degrees of freedom."""
    for argument, number in (("value", value), ("limit", limit.value)):
        checked(argument, number, lowest=-1e12, highest=1e12, unit="")
    if not (math.isfinite(uncertainty) and uncertainty > 0.0):
        raise PhysicsError(
            "uncertainty",
            uncertainty,
            "above 0: a value whose uncertainty is not known decides nothing",
        )
    if freedom is None:
        return uncertainty, _MANY
    return uncertainty, checked("freedom", freedom, lowest=1.0, highest=_MANY, unit="")


def _why(verdict: Outcome, away: float, held: float, broken: float, *, bound: Bound) -> str:
    if bound is not Bound.NONE:
        return (
            f"the value is only a bound, {bound.value}, and says nothing of the limit's other side"
        )
    side = "within" if away >= 0.0 else "beyond"
    lead = f"{abs(away):.3g} standard uncertainties {side} the limit"
    if verdict is Outcome.HELD:
        return f"{lead}, at least {held:.3g} asked for"
    if verdict is Outcome.BROKEN:
        return f"{lead}, at least {broken:.3g} asked for"
    asked = held if away >= 0.0 else broken
    return f"{lead}, fewer than the {asked:.3g} asked for"


def _over_prior(
    probability: Callable[[float], float], low: float, high: float, panels: int
) -> float:
    """The integral of a probability times the standard normal density."""
    if high <= low:
        return 0.0
    step = (high - low) / panels
    terms = (
        (1.0 if i in (0, panels) else 4.0 if i % 2 else 2.0)
        * probability(z)
        * math.exp(-0.5 * z * z)
        for i, z in ((i, low + i * step) for i in range(panels + 1))
    )
    return math.fsum(terms) * step / 3.0 / math.sqrt(2.0 * math.pi)
