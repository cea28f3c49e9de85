"""Known litres against the level that shows them, and a float raised by hand. Pure."""

from collections.abc import Sequence
from itertools import pairwise
from math import sqrt

from longsoak.core.proof.finding import Finding, judged, scatter, silence
from longsoak.core.proof.reads import COVERAGE, noise_allowed
from longsoak.core.straightline import line_through
from longsoak.core.water.vessel import volume
from longsoak.core.wording import with_noun
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.proof import Json, Outcome
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Kind, Reservoir

FEWEST_POINTS = 3  # of a line with a residual to it
LITRES_SHARE = 0.02  # what a can with a mark is good for; common practice

_SLOPES = (0.5, 2.0)  # that a scale may have wrong; beyond, it is no scale's fault: common practice

Table = Sequence[tuple[float, float]]


def judge_pour(
    reservoir: Reservoir, points: Sequence[tuple[float, float]], *, uncertainty: float
) -> Finding:
    """Judge a level against litres that were measured out.

    Parameters
    ----------
    reservoir : Reservoir
        What was poured into, with its depth table.
    points : sequence of (float, float)
        Litres then in the reservoir, by the can, rising, and the settled level in mm. An empty
        tray may be the first.
    uncertainty : float
        Standard uncertainty of one level, mm.

    Returns
    -------
    Finding
        Good if at each point the volume the table gives is within twice the level's uncertainty
        or 2 % of the litres, whichever is more. Content: `points`, each with `litres`, `level`,
        `table` (L at that level), `residual` and `allowed` (L); `rms` (L); and `zero` (mm) and
        `slope`, which would bring the level onto the litres: reported, never applied.

    Raises
    ------
    PhysicsError
        There are fewer than three points, the litres do not rise, or are more than the table
        reaches.
    """
    table = reservoir.depth_table
    if len(points) < FEWEST_POINTS:
        raise PhysicsError("points", len(points), f"{FEWEST_POINTS} or more, to draw a line by")
    known = [litres for litres, _ in points]
    for before, after in pairwise(known):
        if after <= before:
            raise PhysicsError("litres", after, f"more than {before:g} L, as each pour adds some")
    if known[0] < 0.0 or known[-1] > table[-1][1]:
        raise PhysicsError("litres", known[-1], f"0 to {table[-1][1]:g} L, as the table reaches")
    rows = [_row(litres, level, table, uncertainty) for litres, level in points]
    content: dict[str, Json] = {"points": rows}
    residuals = [(row["residual"], row["allowed"]) for row in rows]
    inside = [(found, most) for found, most in residuals if found is not None and most is not None]
    if len(inside) < len(residuals):
        says = "A level lies outside the depth table: look at its zero, or measure the table anew."
        return judged(False, says, content)
    # Through the table's inverse, so that a tray with pedestals is straight too.
    swapped = [(litres, depth) for depth, litres in table]
    depths = [volume(litres, swapped) or 0.0 for litres in known]
    line = line_through([level for _, level in points], depths)
    rms = sqrt(sum(found**2 for found, _ in inside) / len(inside))
    content |= {"rms": rms, "zero": line.intercept, "slope": line.slope}
    worst, most = max(inside, key=lambda pair: abs(pair[0]) / pair[1])
    says = (
        f"{with_noun(len(points), 'point')} up to {known[-1]:.3g} L: off by {worst:+.2f} L at "
        f"worst, {most:.2g} L allowed, {rms:.2g} L in the mean square."
    )
    if all(abs(found) <= allowed for found, allowed in inside):
        return judged(True, says, content)
    mend = f"A zero of {line.intercept:+.1f} mm and a slope of {line.slope:.3f} would mend it."
    if not _SLOPES[0] <= line.slope <= _SLOPES[1]:
        mend = "The level does not follow the litres: look at sensor, channel and depth table."
    return judged(False, f"{says} {mend}", content)


def is_calm(levels: Sequence[float]) -> bool:
    """Whether readings of a level, mm, hold as still as those of a quiet tray."""
    return scatter(levels) <= noise_allowed(Kind.LEVEL, 0.0)


def states_of(readings: Sequence[Reading]) -> list[int]:
    """What a float was seen in, one state after the other, each told once: 0 down, 1 up."""
    states = [round(reading.value) for reading in readings if reading.value is not None]
    return states[:1] + [after for before, after in pairwise(states) if after != before]


def judge_float(readings: Sequence[Reading]) -> Finding:
    """Judge whether a float that was raised and let go was seen down, up and down again.

    Parameters
    ----------
    readings : sequence of Reading
        From before it was raised until after it was let go, in the order taken.

    Returns
    -------
    Finding
        Content: `seen`, the states one after the other, each told once.
    """
    seen = states_of(readings)
    came = sum(reading.value is not None for reading in readings)
    content: dict[str, Json] = {"seen": seen, "readings": came}
    if seen == [0, 1, 0]:
        return judged(True, "Seen down, up, and down again.", content)
    if not seen:
        return judged(False, "No reading of the float came. Look at its bus, then repeat.", content)
    if quiet := silence(readings):  # whatever it did meanwhile, nobody saw it
        words = ", ".join("up" if state else "down" for state in seen)
        return judged(False, f"It was seen {words}, but {quiet}", content)
    if seen[0] == 1:
        says = "It was up before anybody raised it: stuck, wired the other way round, or in water."
    elif seen == [0]:
        says = "It stayed down: raise it until it clicks, else look at its wire."
    elif seen == [0, 1]:
        says = "It went up and did not come down: let it go in time, else it sticks."
    else:
        says = f"It changed {len(seen) - 1} times for one raise: a bouncing contact or loose wire."
    return Finding(Outcome.BAD, says, content)


def _row(litres: float, level: float, table: Table, uncertainty: float) -> dict[str, float | None]:
    reach = COVERAGE * uncertainty
    lowest, highest = table[0][0], table[-1][0]
    # An empty tray may read a little below its floor: within its uncertainty that is the floor.
    held = min(max(level, lowest), highest) if lowest - reach <= level <= highest + reach else level
    found = volume(held, table)
    row: dict[str, float | None] = {"litres": litres, "level": level, "table": found}
    if found is None:
        return row | {"residual": None, "allowed": None}
    low = volume(max(held - reach, lowest), table) or 0.0
    high = volume(min(held + reach, highest), table) or 0.0
    by_level = max(found - low, high - found)
    allowed = max(by_level, LITRES_SHARE * litres)
    return row | {"residual": found - litres, "allowed": allowed}
