"""What is to be doubted in a series of weighings, in sentences. Pure."""

from collections.abc import Sequence
from math import sqrt

from longsoak.core.fitjudgement import Remark
from longsoak.core.regression import least_squares, student_quantile
from longsoak.core.straightline import LARGEST_BOW, line_through
from longsoak.core.uptake import FEWEST, Absorption, Sorptivity, Undetermined

# kg/(m2 s^0.5): water-repellent stone and wood along no grain lie at 1e-4 and above, calcium
# silicate at a little more than 1; from memory.
PLAUSIBLE = 1e-5, 2.0
# kg/m2, dry mass over the face: 1 cm of the lightest foam, and 1 m of the heaviest stone; computed.
HEIGHTS = 0.3, 2500.0
MOST_HELD = 10.0  # times the dry mass; calcium silicate holds about 4 times, from memory
_QUICK = 0.5, 3600.0  # kg/(m2 s^0.5) and s: so fast, and over within an hour, is rare
_HOURS = 3 * 3600.0  # s; a test that is over sooner may have its times in another unit


def doubts(
    times: Sequence[float],
    *,
    absorbed: Sequence[float],
    dry_mass: float,
    area: float,
    coefficient: Absorption | Undetermined,
    rates: Sorptivity,
) -> tuple[Remark, ...]:
    """What to be wary of, the worst first.

    Parameters
    ----------
    times, absorbed
        As for `longsoak.core.uptake.absorption_coefficient`.
    dry_mass : float
        kg.
    area : float
        Of the wetted face, m2.
    coefficient, rates
        What was found in them.

    """
    found = [
        one for one in (coefficient, rates.initial, rates.secondary) if isinstance(one, Absorption)
    ]
    remarks = [*_on_mass(dry_mass, area, max(absorbed, default=0.0))]
    values = [one.coefficient for one in found]
    last = max(times, default=0.0)
    low, high = PLAUSIBLE
    # The second rate may be next to nothing where the first is not.
    if values and not low <= max(values) <= high:
        says = (
            f"{max(values):.2g} kg/(m² s^0.5) is {'more' if max(values) > high else 'less'} than "
            "common materials have"
        )
        units = "mass and area"
        if max(values) > high and last < _HOURS:
            units = f"time: all weighings lie within {last:.4g} s"
        remarks.append(Remark(f"{says}. Look at the units of {units}.", unusable=True))
    elif values and max(values) > _QUICK[0] and last <= _QUICK[1]:
        remarks.append(
            Remark(f"All weighings lie within {last:.4g} s. Are the times in minutes, or hours?")
        )
    place = far_off(times, absorbed=absorbed)
    if place is not None:
        remarks.append(
            Remark(
                f"Weighing {place + 1}, of {absorbed[place]:.4g} kg/m² after {times[place]:g} s, "
                "lies far off the line of the others. Look for a slip; leave it out only for a "
                "reason."
            )
        )
    return tuple(remarks)


def far_off(times: Sequence[float], *, absorbed: Sequence[float]) -> int | None:
    """Which one weighing lies off a straight line through all others, if one does.

    Parameters
    ----------
    times, absorbed : sequence of float
        As for `longsoak.core.uptake.absorption_coefficient`.

    Returns
    -------
    int or None
        Its place, from 0: beyond what chance leaves in 95 of 100 sets (Student's t, Bonferroni;
        common practice), and by more than `LARGEST_BOW` of the rise. Never the last, which may be
        past a knee.
    """
    roots, n = [sqrt(time) for time in times], len(times)
    if n <= FEWEST:
        return None
    line = least_squares([roots], absorbed)
    free = [1.0 - leverage for leverage in line.leverages]
    most = max(range(n), key=lambda i: abs(line.residuals[i]) / sqrt(free[i]))
    if most == n - 1:
        return None
    others_x = roots[:most] + roots[most + 1 :]
    others = line_through(others_x, [*absorbed[:most], *absorbed[most + 1 :]])
    off = abs(line.residuals[most]) / free[most]  # from the line of the others
    scatter = sqrt(others.squares / (n - 3) / free[most])
    rise = abs(others.slope) * (others_x[-1] - others_x[0])
    far = off > student_quantile(1.0 - 0.025 / n, n - 3) * scatter and off > LARGEST_BOW * rise
    return most if far and others.straight else None


def _on_mass(dry_mass: float, area: float, most: float) -> list[Remark]:
    per_face = dry_mass / area
    thin, tall = HEIGHTS
    if 0.0 < per_face < thin:
        return [
            Remark(
                f"{1000 * dry_mass:g} g on {1e6 * area:g} mm² would be a film, not a specimen. Are "
                "the masses in kg? Write g, and the area in mm².",
                unusable=True,
            )
        ]
    if per_face > tall:
        return [
            Remark(
                f"{1000 * dry_mass:g} g on {1e6 * area:g} mm² would stand more than 1 m high. Is "
                "the area in cm²? Write mm², and the masses in g.",
                unusable=True,
            )
        ]
    if most > MOST_HELD * per_face > 0.0:
        return [
            Remark(
                f"It would have taken up {most / per_face:.3g} times its own dry mass, which no "
                "specimen of that height can hold. Look at the mass at the start.",
                unusable=True,
            )
        ]
    return []
