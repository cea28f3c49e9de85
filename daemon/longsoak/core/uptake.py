"""Water taken up by suction: absorption coefficients from weighings. Pure.

Water sucked up from a free surface goes with the root of time for as long as nothing stops it. Each
result says which weighings it rests on and why those; where a coefficient can't be had it says so
instead of giving a number.
"""

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from longsoak.core.arrays import checked
from longsoak.core.curveuncertainty import widened
from longsoak.core.regression import student_quantile
from longsoak.core.straightline import LARGEST_BOW, LEAST_CORRELATION, Line, line_through
from longsoak.core.wording import with_noun
from longsoak.vocabulary.errors import PhysicsError

DAY = 86400.0
FEWEST = 4  # weighings a straight line is drawn through; common practice
# A knee: every weighing later by this share falls short of the line drawn on, by it or more.
LEAST_SHORTFALL = 0.05
# And what follows is nearly level: this program's own bound. A bend that goes on rising is no
# specimen that is full.
MOST_AFTER_KNEE = 0.2  # of the first line's slope
FEWEST_AFTER_KNEE = 2  # weighings; one has no slope
# Points that look straight as a whole have a knee only where two lines leave less than this share
# of one line's squares: at 7 weighings about the 1 % level of an F test.
SMALL_SHARE = 0.05

MOST_SEARCHED = 200  # weighings among which a knee is looked for

_INITIAL = 60.0, 6 * 3600.0  # s, ASTM C1585
_SECONDARY = DAY, 7 * DAY
_NEAR = 0.02  # of 24 h: a weighing this close counts as the one at 24 h


class Course(Enum):
    """How uptake went over the root of time."""

    STRAIGHT = "straight throughout"
    KNEE = "straight up to a knee"
    CURVED = "curved"


@dataclass(frozen=True, slots=True)
class Absorption:
    """A coefficient and what it rests on.

    `coefficient` with its standard `uncertainty` is per root of a second, in the unit of what was
    taken up: kg/(m2 s^0.5), or mm/s^0.5 for a depth of water, which is the same number.
    `intercept` is what the line gives at no time at all: the film that wets the surface.
    `correlation` is Pearson's. `used` counts weighings from 0; `why` says how they were chosen.
    `uncertainty` is the line's alone: that of area and balance comes on top; None where no line
    was drawn. From few weighings it is widened by Student's t, so that twice it holds 95 %.
    """

    course: Course
    coefficient: float
    uncertainty: float | None
    intercept: float
    correlation: float
    used: tuple[int, ...]
    why: str

    @property
    def per_root_hour(self) -> float:
        """The coefficient per root of an hour."""
        return 60.0 * self.coefficient


@dataclass(frozen=True, slots=True)
class Undetermined:
    """No coefficient, and why not."""

    why: str


@dataclass(frozen=True, slots=True)
class Sorptivity:
    """The two rates of ASTM C1585, mm/s^0.5: from 1 min to 6 h and from 1 d to 7 d."""

    initial: Absorption | Undetermined
    secondary: Absorption | Undetermined


def absorbed_per_area(masses: Sequence[float], *, dry_mass: float, area: float) -> list[float]:
    """Uptake per area of the wetted face.

    Parameters
    ----------
    masses : sequence of float
        Of the specimen, kg, 0 to 10000.
    dry_mass : float
        Before its face met the water, kg, 0 to 10000.
    area : float
        Of the wetted face, m2, 0.0001 to 100.

    Returns
    -------
    list of float
        kg/m2, one for each mass. The same number is the depth of water in mm that ASTM C1585
        calls I, as it takes water to weigh 0.001 g/mm3.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.
    """
    face = checked("area", area, lowest=1e-4, highest=100.0, unit="m2")
    dry = checked("dry_mass", dry_mass, lowest=0.0, highest=1e4, unit="kg")
    return [
        (checked("masses", mass, lowest=0.0, highest=1e4, unit="kg") - dry) / face
        for mass in masses
    ]


def absorption_coefficient(
    times: Sequence[float], *, absorbed: Sequence[float]
) -> Absorption | Undetermined:
    """Water absorption coefficient by partial immersion, as ISO 15148 has it.

    Parameters
    ----------
    times : sequence of float
        Of the weighings since the face met the water, s, above 0, rising.
    absorbed : sequence of float
        Uptake per area at each, kg/m2.

    Returns
    -------
    Absorption or Undetermined
        By the course of uptake over the root of time:

        - straight throughout (type A): the slope of the line through all weighings, which is
          (dm'_tf - dm'_0)/sqrt(tf) with both taken from the line;
        - straight up to a knee and nearly level after it, where the front reached the top or the
          specimen is full: the slope through the weighings before it;
        - curved (type B): uptake at 24 h over the root of 24 h, the surface film included.

        Undetermined also where a single last weighing falls short of a line through the others:
        it can't tell a knee from a bend.

    Raises
    ------
    PhysicsError
        A time or uptake is not finite or not as described.

    Notes
    -----
    The knee is put where two separate lines leave the least squares, among the places where the
    first line is straight, everything later by 5 % of root time falls short of it by 5 % or more,
    the second line rises by no more than 20 % of the first, and all lie off the two by 3 % of the
    most taken up or less (root of the mean square). Weighings that are straight as a
    whole are all used, unless the two lines fit far better than the one. Of more than 200
    weighings the knee is looked for among 200 spread evenly over the root of time, and the line is
    drawn through all before it.

    Source: ISO 15148; its scope was read, the method is from memory. That it gives no figure for
    straightness is from memory too; `LARGEST_BOW`, `LEAST_SHORTFALL` and
    `MOST_AFTER_KNEE` are this project's.
    """
    roots, gains = _checked_series(times, absorbed)
    n = len(roots)
    if n < FEWEST:
        return Undetermined(
            f"{with_noun(n, 'weighing')}, and a straight line needs at least {FEWEST}"
        )
    if max(gains) <= 0.0:
        return Undetermined("no uptake found: the specimen took up no water")
    whole = line_through(roots, gains)
    if whole.slope <= student_quantile(0.975, n - 2) * whole.u_slope:
        return Undetermined(
            "no uptake found: it does not rise with the root of time by more than its scatter. "
            "The specimen took up no water, or was full before the first weighing"
        )
    few = _spread(roots)
    some_roots, some_gains = [roots[i] for i in few], [gains[i] for i in few]
    squares, before = _before_knee(some_roots, some_gains)
    count = few[before - 1] + 1 if before else 0
    one_line = whole if len(few) == n else line_through(some_roots, some_gains)
    if whole.straight and squares >= SMALL_SHARE * one_line.squares:
        return _from_line(whole, Course.STRAIGHT, range(n), "all: they lie on a straight line")
    if count and n - count < FEWEST_AFTER_KNEE:
        return Undetermined(
            f"the first {count} lie on a straight line and the last falls short of it, and one "
            "weighing can't tell a full specimen from a bend. Weigh again later, or leave it out"
        )
    if count:
        line = line_through(roots[:count], gains[:count])
        hours = times[count - 1] / 3600.0
        return _from_line(
            line,
            Course.KNEE,
            range(count),
            f"the first {count}, up to {hours:.3g} h: later ones fall short of their line and are "
            "nearly level, so the front has reached the top or the specimen is full",
        )
    day = next((i for i, t in enumerate(times) if abs(t - DAY) <= _NEAR * DAY), None)
    if day is None:
        return Undetermined(
            "uptake is curved over the root of time, so there is no single coefficient, and no "
            "weighing at 24 h to fall back on"
        )
    return Absorption(
        Course.CURVED,
        gains[day] / roots[day],
        None,
        0.0,
        whole.correlation,
        (day,),
        "the one at 24 h: uptake is curved over the root of time, so there is no single "
        "coefficient",
    )


def sorptivity(times: Sequence[float], *, absorbed: Sequence[float]) -> Sorptivity:
    """Initial and secondary rate of absorption, as ASTM C1585 has them.

    Parameters
    ----------
    times : sequence of float
        Of the weighings since the face met the water, s, above 0, rising.
    absorbed : sequence of float
        Depth of water taken up at each, mm (`absorbed_per_area` gives the same number).

    Returns
    -------
    Sorptivity
        Each rate is the slope over the root of time, or "cannot be determined": with a
        correlation below 0.98, with a curve to it, or with fewer than four weighings.

    Raises
    ------
    PhysicsError
        A time or uptake is not finite or not as described.

    Notes
    -----
    Source: ASTM C1585; sections 8 and 9 of the 2020 edition were read in excerpt, the rates and
    the rule of 0.98 are from memory. The standard may ask for a low correlation and a curve
    together before it gives up; here either is enough.
    """
    roots, gains = _checked_series(times, absorbed)

    def rate(span: tuple[float, float], words: str) -> Absorption | Undetermined:
        used = [i for i, t in enumerate(times) if span[0] <= t <= span[1]]
        if len(used) < FEWEST:
            return Undetermined(
                f"cannot be determined: {with_noun(len(used), 'weighing')} {words}, at least "
                f"{FEWEST} needed"
            )
        line = line_through([roots[i] for i in used], [gains[i] for i in used])
        if line.correlation < LEAST_CORRELATION:
            return Undetermined(
                f"cannot be determined: correlation {line.correlation:.3f} {words}, at least "
                f"{LEAST_CORRELATION} needed"
            )
        if not line.straight:
            return Undetermined(
                f"cannot be determined: uptake is curved {words}, by {100 * line.bow:.1f} % of "
                f"its rise, at most {100 * LARGEST_BOW:g} % allowed"
            )
        return _from_line(line, Course.STRAIGHT, used, f"those {words}")

    return Sorptivity(rate(_INITIAL, "from 1 min to 6 h"), rate(_SECONDARY, "from 1 day to 7 days"))


def _from_line(line: Line, course: Course, used: Sequence[int], why: str) -> Absorption:
    uncertainty = widened(line.u_slope, others=0.0, freedom=float(len(used) - 2))
    return Absorption(
        course, line.slope, uncertainty, line.intercept, line.correlation, tuple(used), why
    )


def _spread(roots: Sequence[float]) -> Sequence[int]:
    """Which weighings a knee is looked for among: all, or as many spread evenly over root time.

    A balance that logs gives thousands, and each place for a knee costs two lines through all.
    """
    if len(roots) <= MOST_SEARCHED:
        return range(len(roots))
    step = (roots[-1] - roots[0]) / (MOST_SEARCHED - 1)
    return sorted(
        {
            min(bisect_left(roots, roots[0] + place * step), len(roots) - 1)
            for place in range(MOST_SEARCHED)
        }
    )


def _before_knee(roots: Sequence[float], gains: Sequence[float]) -> tuple[float, int]:
    """Squares two lines leave, and weighings before the knee; endless and 0 if there is none."""
    best = math.inf, 0
    for count in range(FEWEST, len(roots)):
        first = line_through(roots[:count], gains[:count])
        after = line_through(roots[count:], gains[count:])
        level = after.slope <= MOST_AFTER_KNEE * first.slope  # of one weighing it is 0
        # What has just stopped rising can't be short by its share yet, so a balance that logs
        # would have the first line bent by all that is nearer than that.
        far = bisect_left(roots, roots[count - 1] / (1.0 - LEAST_SHORTFALL), lo=count)
        short = far < len(roots) and all(
            y <= (1.0 - LEAST_SHORTFALL) * (first.intercept + first.slope * x)
            for x, y in zip(roots[far:], gains[far:], strict=True)
        )
        squares = first.squares + after.squares
        # A smooth bend that ends level lies off any two lines by more than its own scatter.
        close = math.sqrt(squares / len(roots)) <= LARGEST_BOW * max(gains)
        if first.straight and short and level and close:
            best = min(best, (squares, count))
    return best


def _checked_series(
    times: Sequence[float], absorbed: Sequence[float]
) -> tuple[list[float], list[float]]:
    """Roots of the times, and the uptake."""
    same_length(times, absorbed, "absorbed")
    last = 0.0
    for time in times:
        checked("times", time, lowest=1e-3, highest=1e9, unit="s")
        if time <= last:
            raise PhysicsError("times", time, f"more than {last:g} s, as they must rise")
        last = time
    gains = [checked("absorbed", y, lowest=-1e4, highest=1e4, unit="kg/m2 or mm") for y in absorbed]
    return [math.sqrt(time) for time in times], gains


def same_length(first: Sequence[float], second: Sequence[float], argument: str) -> None:
    """Refuse what has not one value for each of `first`."""
    if len(first) != len(second):
        raise PhysicsError(argument, len(second), f"{len(first)} values, one for each time")
