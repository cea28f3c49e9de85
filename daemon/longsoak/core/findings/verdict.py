"""Whether a zone kept a limit that was declared beforehand: held, broken or undecided. Pure."""

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, NamedTuple

from longsoak.core.arrays import as_array
from longsoak.core.findings.decision import DecisionRule, Outcome, rule_of_risks
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.rig import Limit, Rule, Side, Statistic

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from longsoak.core.arrays import Array

    Bools = NDArray[np.bool_]


_OTHER_RISK = 0.05  # of the wrong verdict that a limit's rule does not bound


@dataclass(frozen=True, slots=True)
class Verdict:
    """What came of it.

    Hours are of windows that are beyond the limit for sure, may be, are within for sure, and of
    which that is not known for want of good data. `value` is the zone's own at its worst, past what
    the limit lets pass, with its standard `uncertainty`, in the window `window`; None without any.
    `margin` is how far that is on the good side of the limit, negative beyond it. `covered` is the
    share of windows with good data of every probe.
    """

    outcome: Outcome
    why: str
    beyond: float
    perhaps: float
    within: float
    unknown: float
    covered: float
    value: float | None = None
    uncertainty: float | None = None
    margin: float | None = None
    window: int | None = None


def judge(
    values: object,
    *,
    uncertainties: object,
    at_least: object | None = None,
    at_most: object | None = None,
    least: object | None = None,
    most: object | None = None,
    limit: Limit,
) -> Verdict:
    """Judge a zone over a stretch of windows.

    Parameters
    ----------
    values : array, shape (probes, windows)
        Mean of each probe's good readings in each window; NaN where there are too few.
    uncertainties : array, shape (probes, windows)
        Standard, of each mean; not looked at where there is no value.
    at_least, at_most : array of bool, shape (probes, windows), or None
        Where a value is only a bound, as at an end of a curve.
    least, most : array, shape (probes, windows), or None
        Between what each value lies for another cause than its uncertainty, such as a time without
        readings that goes on in it; by default it is what it is.
    limit : Limit
        What is to be kept, and how long a window is; what it is above is taken off already.

    Returns
    -------
    Verdict
        Held only if every window but those that `longest` lets pass lies within by a guard band,
        and enough of them have good data; broken only if more lie beyond by one; else undecided.

    Raises
    ------
    PhysicsError
        Shapes differ, a number is not as described.

    Notes
    -----
    Decision rules of JCGM 106:2012 with a guard band on either side (from memory): the band is the
    standard uncertainty times the normal quantile of the risk. To call a limit held wrongly, the
    reading at the place and hour of its worst has to be too low by the band, whatever the others
    are (an intersection-union test), so that the risk needs no sharing out. To call it broken
    wrongly any one of them may be too high, so that risk is shared between all (Bonferroni). The
    probes' errors may have a cause in common, as a curve's: a mean has the mean of their
    uncertainties, and no less. The risk that the limit's rule does not bound is 5 %.
    """
    import numpy as np

    v, u = _table("values", values), _table("uncertainties", uncertainties)
    if v.shape != u.shape:
        raise PhysicsError("uncertainties", f"shape {u.shape}", f"the shape of values, {v.shape}")
    known = np.isfinite(v)
    if (known & ~(np.isfinite(u) & (u >= 0))).any():
        raise PhysicsError("uncertainties", "none", "0 or more where there is a value")
    more, less = (_flags(each, v.shape) for each in (at_least, at_most))
    bottom, top = (_bounds(name, each, v) for name, each in (("least", least), ("most", most)))
    upper, window, statistic = limit.side is Side.AT_MOST, limit.window, limit.statistic
    sign = 1.0 if upper else -1.0
    if not upper:  # what may not be less is judged as its negative that may not be more
        v, more, less, statistic = -v, less, more, _MIRRORED[statistic]
        bottom, top = -top, -bottom
    bound = sign * limit.bound

    consumers, producers = _risks(limit)
    shared = producers / max(1, int(known.sum()))
    hold, fail = (NormalDist().inv_cdf(1 - p) for p in (consumers, shared))
    u = np.where(known, u, 0.0)
    low = np.where(known & ~less, np.minimum(v, bottom) - fail * u, -np.inf)
    high = np.where(known & ~more, np.maximum(v, top) + hold * u, np.inf)
    sure = _of(statistic, low, default=-np.inf) > bound
    safe = _of(statistic, high, default=np.inf) <= bound
    whole: Bools = np.logical_and.reduce(known)
    open_ = ~sure & ~safe
    hours = _Hours(
        *(window * int(each.sum()) for each in (sure, open_ & whole, safe, open_ & ~whole))
    )
    covered = float(whole.mean()) if whole.size else 0.0
    outcome, why = _decided(hours, covered, limit)
    told = np.logical_or.reduce(known) if statistic is Statistic.HIGHEST else whole
    worst = _worst(statistic, v, u, told, past=int(limit.longest // window))
    if worst is None:
        return Verdict(outcome, why, *hours, covered)
    at, value, uncertainty = worst
    return Verdict(outcome, why, *hours, covered, sign * value, uncertainty, bound - value, at)


_MIRRORED = {
    Statistic.HIGHEST: Statistic.LOWEST,
    Statistic.LOWEST: Statistic.HIGHEST,
    Statistic.MEAN: Statistic.MEAN,
    Statistic.MEDIAN: Statistic.MEDIAN,
}


def rule_of(limit: Limit) -> DecisionRule:
    """The decision rule of a limit for one value by itself."""
    consumers, producers = _risks(limit)
    return rule_of_risks(consumers=consumers, producers=producers)


def _risks(limit: Limit) -> tuple[float, float]:
    """The consumer's and the producer's."""
    if limit.rule is Rule.CONSUMERS_RISK:
        return limit.risk, _OTHER_RISK
    return _OTHER_RISK, limit.risk


class _Hours(NamedTuple):
    beyond: float
    perhaps: float
    within: float
    unknown: float


def _of(statistic: Statistic, table: "Array", *, default: float) -> "Array":
    """The statistic of each column; `default` of a table without rows."""
    import numpy as np

    if not table.shape[0]:
        return np.full(table.shape[1], default)
    with np.errstate(invalid="ignore"):  # of two infinities of unlike sign, which is not known
        if statistic is Statistic.HIGHEST:
            found = np.max(table, axis=0)
        elif statistic is Statistic.LOWEST:
            found = np.min(table, axis=0)
        elif statistic is Statistic.MEAN:
            found = np.mean(table, axis=0)
        else:
            found = np.median(table, axis=0)
    return np.where(np.isnan(found), default, found)


def _worst(
    statistic: Statistic, v: "Array", u: "Array", told: "Bools", *, past: int
) -> tuple[int, float, float] | None:
    """Window, value and uncertainty of the zone at its worst but for `past` windows."""
    import numpy as np

    windows = np.flatnonzero(told)
    if not windows.size:
        return None
    rows = [_one(statistic, v[:, at], u[:, at]) for at in windows]
    order = np.argsort([-value for value, _ in rows], kind="stable")
    chosen = int(order[min(past, len(order) - 1)])
    return int(windows[chosen]), *rows[chosen]


def _one(statistic: Statistic, v: "Array", u: "Array") -> tuple[float, float]:
    """Value and uncertainty of one window, of the probes that have one."""
    import numpy as np

    known = np.isfinite(v)
    v, u = v[known], u[known]
    if statistic is Statistic.MEAN:
        return float(v.mean()), float(u.mean())
    order = np.argsort(v, kind="stable")
    middle = len(order) // 2
    taken = {
        Statistic.HIGHEST: order[-1:],
        Statistic.LOWEST: order[:1],
        Statistic.MEDIAN: order[middle - 1 + len(order) % 2 : middle + 1],
    }[statistic]
    return float(v[taken].mean()), float(u[taken].mean())


def _decided(hours: _Hours, covered: float, limit: Limit) -> tuple[Outcome, str]:
    longest = limit.longest
    if not sum(hours):
        return Outcome.UNDECIDED, "There is no window to judge."
    if hours.beyond > longest:
        return Outcome.BROKEN, f"It is beyond the limit for {_lets(hours.beyond, longest)}."
    if covered < limit.coverage:
        return Outcome.UNDECIDED, (
            f"Good data of every probe cover {100 * covered:.0f} % of the windows; "
            f"{100 * limit.coverage:.0f} % were asked for."
        )
    if hours.beyond + hours.perhaps > longest:
        may_be = _lets(hours.beyond + hours.perhaps, longest)
        return Outcome.UNDECIDED, f"It may be beyond the limit for {may_be}: too near to tell."
    return Outcome.HELD, (
        f"It is within the limit for {hours.within:.4g} h"
        + (
            f", and perhaps beyond for {hours.beyond + hours.perhaps:.4g} h"
            if hours.perhaps
            else ""
        )
        + "."
    )


def _lets(hours: float, longest: float) -> str:
    more = f", and {longest:.4g} h were allowed" if longest else ""
    return f"{hours:.4g} h{more}"


def _table(argument: str, given: object) -> "Array":
    table = as_array(argument, given, "a table of numbers, a row a probe and a column a window")
    if table.ndim != 2:
        raise PhysicsError(argument, f"{table.ndim} dimensions", "a row a probe, a column a window")
    return table


def _bounds(argument: str, given: object | None, values: "Array") -> "Array":
    import numpy as np

    if given is None:
        return values
    found = _table(argument, given)
    if found.shape != values.shape:
        raise PhysicsError(argument, f"shape {found.shape}", f"the shape of values, {values.shape}")
    if (np.isfinite(values) & np.isnan(found)).any():
        raise PhysicsError(argument, "none", "a number where there is a value")
    return found


def _flags(given: object | None, shape: tuple[int, ...]) -> "Bools":
    import numpy as np

    if given is None:
        return np.zeros(shape, dtype=bool)
    found = np.asarray(given, dtype=bool)
    if found.shape != shape:
        raise PhysicsError("bounds", f"shape {found.shape}", f"the shape of values, {shape}")
    return found
