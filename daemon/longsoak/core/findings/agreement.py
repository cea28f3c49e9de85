"""How well embedded probes agree with readings by hand: limits of agreement. Pure.

Differences are embedded minus hand, of one place at one time, both at the same reference
temperature and on the same scale. Limits of agreement hold about 95 % of such differences; they say
nothing of which of the two is right.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from longsoak.core.arrays import checked
from longsoak.core.findings.estimate import Estimate, checked_confidence, noncentral_t_quantile
from longsoak.core.regression import least_squares, student_quantile
from longsoak.core.uptake import Undetermined
from longsoak.core.wording import with_noun
from longsoak.vocabulary.errors import PhysicsError

# With 5, a limit's own interval reaches past the bias by the 1986 formula: Student's t times the
# root of 3/n is 2.15 of a standard deviation, and the limit lies at 1.96; with 6 it is 1.82.
FEWEST = 6
PER_DEPTH = 2  # places of one depth that its bias needs for an interval
MULTIPLE = 1.96  # standard deviations either side; the 1986 paper has 2 in its example


@dataclass(frozen=True, slots=True)
class Pair:
    """What the probe and the hand meter showed at one place at one time, in one unit.

    `place` names the pin or hole: pairs of one place are not independent of each other. `depth` is
    mm from the wet face, None where it is not known.
    """

    embedded: float
    hand: float
    place: str
    depth: float | None = None

    @property
    def difference(self) -> float:
        """Embedded minus hand."""
        return self.embedded - self.hand

    @property
    def mean(self) -> float:
        """The mean of the two, which stands for the truth that neither tells."""
        return (self.embedded + self.hand) / 2.0


@dataclass(frozen=True, slots=True)
class Agreement:
    """Limits of agreement, in the unit of the readings.

    `bias` is the mean difference; `lower` and `upper` lie `multiple` standard deviations (`spread`)
    from it, each with its interval of `confidence`. `between` is the standard deviation of places'
    own biases and `within` that of repeats at one place; None where no place has repeats. `slope`
    is that of difference on mean, None where the means are all the same: where its interval leaves
    out 0 the bias grows with the reading, and one pair of limits does not serve.
    """

    bias: Estimate
    spread: float
    lower: Estimate
    upper: Estimate
    multiple: float
    confidence: float
    places: int
    pairs: int
    between: float | None
    within: float | None
    slope: Estimate | None
    basis: str

    @property
    def proportional(self) -> bool:
        """Whether the difference changes with the size of the reading by more than chance."""
        return self.slope is not None and not self.slope.holds(0.0)

    @property
    def limit_error(self) -> float:
        """Standard error of a limit by the formula of 1986, the root of 3 s2/n; approximate."""
        return math.sqrt(3.0 * self.spread**2 / self.places)


@dataclass(frozen=True, slots=True)
class DepthBias:
    """Mean difference at one depth, mm; its interval rests on the places, not on the pairs."""

    depth: float
    bias: Estimate | Undetermined
    mean: float
    places: int
    pairs: int


@dataclass(frozen=True, slots=True)
class Repeatability:
    """How far repeats by one method at one place scatter.

    `deviation` is the standard deviation within a place; two repeats differ by less than
    `coefficient` 95 % of the time. `freedom` is its degrees of freedom.
    """

    deviation: float
    coefficient: float
    freedom: int


@dataclass(frozen=True, slots=True)
class _Spread:
    """A standard deviation of single differences, and how well it and their mean are known."""

    mean: float
    deviation: float
    freedom: float  # of the deviation, fewer than it has where it is pieced together
    mean_error: float  # standard error of the mean
    mean_freedom: float


def limits_of_agreement(
    pairs: Sequence[Pair], *, confidence: float = 0.95, multiple: float = MULTIPLE
) -> Agreement | Undetermined:
    """Limits of agreement of embedded probes with readings by hand.

    Parameters
    ----------
    pairs : sequence of Pair
        Readings of one quantity in one unit, such as % MC. A place may have several pairs, taken
        at different times; its truth may have changed between them.
    confidence : float
        Of all intervals, 0.5 to 0.999.
    multiple : float
        How many standard deviations the limits lie from the bias, 1 to 3. 1.96 holds 95 % of
        normal differences; the 1986 example took 2. State which.

    Returns
    -------
    Agreement or Undetermined
        Undetermined from fewer than 6 places, or where no two differences differ.

    Raises
    ------
    PhysicsError
        A reading is not finite, an argument is outside its range, or a place has no name.

    Notes
    -----
    One pair at each place: bias and standard deviation of the differences. The interval of the
    bias is Student's; that of a limit is exact for normal differences, by the noncentral t
    distribution (a normal quantile's interval; Carkeet 2015, from memory), and not symmetrical.

    Several pairs at a place: variance components by a one-way analysis of variance of the
    differences, as for a truth that changes between pairs (Bland and Altman 1999 and 2007, from
    memory). The variance of a single difference is that between places and that within them
    together. Its degrees of freedom lie half way between Satterthwaite's and the places less one
    (own choice, so that intervals hold at least what they say), those of the bias are the places
    less one; the intervals are approximate. A component below 0 is taken for 0.

    The slope is that of least squares of difference on mean, over places' own means where they
    have repeats. Two methods of unequal scatter have a slope of their own without any bias.

    Source: Bland and Altman 1986, 1999 (its abstract was read), 2007; formulas from memory.
    """
    share = checked_confidence(confidence)
    k = checked("multiple", multiple, lowest=1.0, highest=3.0, unit="standard deviations")
    groups = _by_place(pairs)
    if len(groups) < FEWEST:
        return Undetermined(
            f"{with_noun(len(groups), 'place')} with pairs, and limits of agreement need at least "
            f"{FEWEST}: with fewer, a limit's own interval reaches past the bias"
        )
    differences = [[pair.difference for pair in group] for group in groups]
    repeated = len(pairs) > len(groups)
    between: float | None = None
    within: float | None = None
    if repeated:
        spread, between, within = _components(differences)
    else:
        spread = _plain([one for (one,) in differences])
    if spread.deviation <= 0.0:
        return Undetermined(
            "all differences are the same, which readings of two instruments never are. Look "
            "whether one was copied from the other"
        )
    bias, lower, upper = _around(spread, share, k)
    return Agreement(
        bias=bias,
        spread=spread.deviation,
        lower=lower,
        upper=upper,
        multiple=k,
        confidence=share,
        places=len(groups),
        pairs=len(pairs),
        between=between,
        within=within,
        slope=_slope(groups, share),
        basis=_basis(len(groups), len(pairs), k, repeated=repeated),
    )


def limits_from_repeats(
    embedded: Sequence[Sequence[float]],
    *,
    hand: Sequence[Sequence[float]],
    confidence: float = 0.95,
    multiple: float = MULTIPLE,
) -> Agreement | Undetermined:
    """Limits of agreement of single readings, from repeats at places whose truth stayed the same.

    Parameters
    ----------
    embedded, hand : sequence of sequences of float
        For each place the repeats by either method within one round, in one unit, as many by the
        one at every place, and as many by the other; the two numbers may differ.
    confidence, multiple
        As for `limits_of_agreement`.

    Returns
    -------
    Agreement or Undetermined
        As there. `between` is the standard deviation of the differences of places' means, `within`
        that which taking means had left out. All intervals but the bias's are approximate.

    Raises
    ------
    PhysicsError
        A reading is not finite, or the repeats are not as described.

    Notes
    -----
    Means hide what repeats scatter by, so limits from means would be too narrow for single
    readings. The variance of a single difference is that of the means' differences and, of either
    method, ``(1 - 1/m) s_w**2``, with m repeats and s_w their standard deviation within a place;
    degrees of freedom as in `limits_of_agreement`.

    Source: Bland and Altman 1986 (two repeats each) and 1999, from memory.
    """
    share = checked_confidence(confidence)
    k = checked("multiple", multiple, lowest=1.0, highest=3.0, unit="standard deviations")
    if len(embedded) != len(hand):
        raise PhysicsError("hand", len(hand), f"{len(embedded)} places, as many as embedded")
    count = len(embedded)
    if count < FEWEST:
        return Undetermined(
            f"{with_noun(count, 'place')} with repeats, and limits of agreement need at least "
            f"{FEWEST}: with fewer, a limit's own interval reaches past the bias"
        )
    parts: list[tuple[float, float]] = []  # variances with their degrees of freedom
    for argument, repeats in (("embedded", embedded), ("hand", hand)):
        each = len(repeats[0])
        if each < 1 or any(len(one) != each for one in repeats):
            raise PhysicsError(argument, "uneven", "as many repeats at every place, 1 or more")
        if each > 1:
            found = repeatability(repeats)
            parts.append(((1.0 - 1.0 / each) * found.deviation**2, float(found.freedom)))
    rows = [
        (_mean([_finite("embedded", v) for v in a]), _mean([_finite("hand", v) for v in b]))
        for a, b in zip(embedded, hand, strict=True)
    ]
    means = _plain([a - b for a, b in rows])
    if means.deviation <= 0.0:
        return Undetermined("all places differ by the same, which readings never do")
    hidden = math.fsum(variance for variance, _ in parts)
    parts.append((means.deviation**2, means.freedom))
    spread = _Spread(
        means.mean,
        math.sqrt(math.fsum(variance for variance, _ in parts)),
        _cautious(parts, count),
        means.mean_error,
        means.mean_freedom,
    )
    groups = [[Pair(a, b, str(i))] for i, (a, b) in enumerate(rows)]
    total = sum(map(len, embedded)) + sum(map(len, hand))
    bias, lower, upper = _around(spread, share, k)
    return Agreement(
        bias=bias,
        spread=spread.deviation,
        lower=lower,
        upper=upper,
        multiple=k,
        confidence=share,
        places=count,
        pairs=count,
        between=means.deviation,
        within=math.sqrt(hidden),
        slope=_slope(groups, share),
        basis=(
            f"{count} places, {total} readings; the bias +/- {k:g} standard deviations of a "
            "single difference, the scatter of repeats put back; approximate intervals"
        ),
    )


def repeatability(
    repeats: Sequence[Sequence[float]], *, multiple: float = MULTIPLE
) -> Repeatability:
    """How far repeats by one method at one place scatter.

    Parameters
    ----------
    repeats : sequence of sequences of float
        For each place its repeats while the truth stayed the same; places with one are passed by.
    multiple : float
        1.96 for 95 %, or 2 as in 1986.

    Raises
    ------
    PhysicsError
        A reading is not finite, or no place has two.

    Notes
    -----
    The standard deviation within places, pooled; the coefficient is `multiple` times the root of 2
    times it.

    Source: Bland and Altman 1986, from memory.
    """
    k = checked("multiple", multiple, lowest=1.0, highest=3.0, unit="standard deviations")
    squares, freedom = 0.0, 0
    for row in repeats:
        values = [_finite("repeats", value) for value in row]
        if len(values) > 1:
            squares += _squares(values)
            freedom += len(values) - 1
    if not freedom:
        raise PhysicsError("repeats", len(repeats), "a place with two repeats or more")
    deviation = math.sqrt(squares / freedom)
    return Repeatability(deviation, k * math.sqrt(2.0) * deviation, freedom)


def bias_by_depth(pairs: Sequence[Pair], *, confidence: float = 0.95) -> tuple[DepthBias, ...]:
    """Mean difference of embedded and hand readings at each depth.

    Parameters
    ----------
    pairs : sequence of Pair
        As for `limits_of_agreement`; those without a depth are passed by.
    confidence : float
        Of each interval by itself: of 20 depths one is expected to leave out the truth at 0.95.

    Returns
    -------
    tuple of DepthBias
        In order of depth. An interval rests on the places' own means (Student's t), so that
        repeats at one pin count once; undetermined from one place.

    Raises
    ------
    PhysicsError
        A reading or depth is not finite, or a place has no name or two depths.
    """
    share = checked_confidence(confidence)
    depths: dict[float, list[list[Pair]]] = {}
    for group in _by_place(pairs):
        told = {pair.depth for pair in group}
        if len(told) > 1:
            raise PhysicsError("depth", sorted(map(str, told)), f"one for place {group[0].place!r}")
        (depth,) = told
        if depth is not None:
            where = checked("depth", depth, lowest=0.0, highest=1e5, unit="mm")
            depths.setdefault(where, []).append(group)
    return tuple(_at_depth(depth, groups, share) for depth, groups in sorted(depths.items()))


def _at_depth(depth: float, groups: Sequence[Sequence[Pair]], share: float) -> DepthBias:
    means = [_mean([pair.difference for pair in group]) for group in groups]
    bias: Estimate | Undetermined
    if len(means) < PER_DEPTH:
        bias = Undetermined("one place at this depth, and its bias can't be told from its place's")
    else:
        found = _plain(means)
        reach = student_quantile(0.5 + share / 2.0, found.mean_freedom) * found.mean_error
        bias = Estimate(found.mean, found.mean - reach, found.mean + reach)
    return DepthBias(depth, bias, _mean(means), len(means), sum(map(len, groups)))


def _by_place(pairs: Sequence[Pair]) -> list[list[Pair]]:
    groups: dict[str, list[Pair]] = {}
    for pair in pairs:
        _finite("embedded", pair.embedded)
        _finite("hand", pair.hand)
        if not pair.place:
            raise PhysicsError("place", "empty", "a name, so that repeats are known as such")
        groups.setdefault(pair.place, []).append(pair)
    return list(groups.values())


def _finite(argument: str, value: float) -> float:
    return checked(argument, value, lowest=-1e12, highest=1e12, unit="")


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


def _squares(values: Sequence[float]) -> float:
    mean = _mean(values)
    return math.fsum((value - mean) ** 2 for value in values)


def _plain(values: Sequence[float]) -> _Spread:
    n = len(values)
    deviation = math.sqrt(_squares(values) / (n - 1))
    return _Spread(_mean(values), deviation, n - 1.0, deviation / math.sqrt(n), n - 1.0)


def _cautious(parts: Sequence[tuple[float, float]], places: int) -> float:
    """Degrees of freedom of a sum of variances, each with its own.

    Satterthwaite's are too many where the variance between places came out small by chance:
    intervals of a limit then hold it 91 to 95 % of the time (6 to 20 places, simulated). Half way,
    by ratio, to the places less one they hold it 95 to 99 %.
    """
    total = math.fsum(variance for variance, _ in parts)
    below = math.fsum(variance**2 / freedom for variance, freedom in parts)
    fewest = places - 1.0
    return math.sqrt(fewest * max(fewest, total**2 / below)) if below > 0.0 else fewest


def _components(differences: Sequence[Sequence[float]]) -> tuple[_Spread, float, float]:
    """The spread of single differences, and what it has between and within places."""
    count, total = len(differences), sum(map(len, differences))
    mean = math.fsum(map(math.fsum, differences)) / total
    inside = math.fsum(_squares(group) for group in differences) / (total - count)
    outside = math.fsum(len(group) * (_mean(group) - mean) ** 2 for group in differences) / (
        count - 1
    )
    sizes = math.fsum(len(group) ** 2 for group in differences)
    each = (total - sizes / total) / (count - 1)  # pairs a place, where they are uneven
    between = max(0.0, (outside - inside) / each)
    freedom = _cautious(
        [(outside / each, count - 1.0), ((1.0 - 1.0 / each) * inside, total - count)], count
    )
    error = math.sqrt(between * sizes / total**2 + inside / total)
    spread = _Spread(mean, math.sqrt(between + inside), freedom, error, count - 1.0)
    return spread, math.sqrt(between), math.sqrt(inside)


def _around(spread: _Spread, share: float, k: float) -> tuple[Estimate, Estimate, Estimate]:
    """The bias, the lower limit and the upper one, each with its interval."""
    reach = student_quantile(0.5 + share / 2.0, spread.mean_freedom) * spread.mean_error
    mean, limit = spread.mean, k * spread.deviation
    # A limit off by so many standard errors of the mean follows a noncentral t distribution.
    shift = round(limit / spread.mean_error, 9)
    near, far = (
        spread.mean_error * noncentral_t_quantile(p, freedom=spread.freedom, shift=shift)
        for p in (0.5 - share / 2.0, 0.5 + share / 2.0)
    )
    return (
        Estimate(mean, mean - reach, mean + reach),
        Estimate(mean - limit, mean - far, mean - near),
        Estimate(mean + limit, mean + near, mean + far),
    )


def _slope(groups: Sequence[Sequence[Pair]], share: float) -> Estimate | None:
    means = [_mean([pair.mean for pair in group]) for group in groups]
    if max(means) - min(means) <= 1e-9 * max(map(abs, means)):
        return None
    line = least_squares([means], [_mean([pair.difference for pair in group]) for group in groups])
    slope = line.coefficients[1]
    reach = student_quantile(0.5 + share / 2.0, line.freedom) * math.sqrt(line.covariance[1][1])
    return Estimate(slope, slope - reach, slope + reach)


def _basis(places: int, pairs: int, k: float, *, repeated: bool) -> str:
    lead = f"{with_noun(pairs, 'pair')} at {with_noun(places, 'place')}; the bias +/- {k:g} "
    if repeated:
        return (
            f"{lead}standard deviations, from the variance between places and within them; "
            "approximate intervals"
        )
    return (
        f"{lead}standard deviations; exact intervals if the differences are normal and the places "
        "independent"
    )
