"""What is to be doubted in a fitted curve, in sentences. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, log10

from longsoak.core.fitbranches import branches_apart
from longsoak.core.fittedcurve import curve_of
from longsoak.core.fitting import (
    ENOUGH_FOR_TEMPERATURE,
    Branch,
    Fit,
    Pair,
    Shift,
    moisture_steps,
)
from longsoak.core.regression import least_squares, student_quantile
from longsoak.core.relations import relation_of
from longsoak.core.wording import with_noun
from longsoak.vocabulary.curve import SPREAD, MadeFor

FEWEST = 4  # pairs: with three, one residual would have to tell the scatter
MOST_TOLD = 10  # single pairs; a long list hides the rest of what is said
APART = 0.01  # of an F test: two branches that are one differ so much once in a hundred
LOOKS_LIKE_A_FRACTION = 1.0  # %, if no sample holds more
SWAPPED = "Are temperature_c and moisture_percent swapped?"
USUAL, USUAL_STEPS = 10, 5  # pairs and moisture steps: common practice, after ASTM C1789 (read)


@dataclass(frozen=True, slots=True)
class Remark:
    """Something to know about a fit. `unusable`: no curve file is written."""

    says: str
    unusable: bool = False


def judge(found: Fit) -> tuple[Remark, ...]:
    """What to be wary of in a fit, the worst first."""
    pairs, count = found.pairs, len(found.pairs)
    remarks = []
    if count < FEWEST:
        remarks.append(
            Remark(
                f"Only {count} pairs: a curve takes {FEWEST}, and {USUAL} are usual.",
                unusable=True,
            )
        )
    if not found.falls:
        remarks.append(
            Remark(
                f"Moisture rises with resistance, so this is no curve. {_mixed_up(pairs)}",
                unusable=True,
            )
        )
    elif not found.tells:
        remarks.append(
            Remark(
                "The scatter is so wide that moisture may not depend on resistance at all."
                f"{' ' + SWAPPED if _swapped(pairs) else ''}",
                unusable=True,
            )
        )
    elif not _holds(found):
        remarks.append(
            Remark(
                "Its own ends lie beyond what any meter reads, or its scatter is wider than a "
                "curve may have: no rig file would take it.",
                unusable=True,
            )
        )
    if FEWEST <= count < USUAL:
        remarks.append(Remark(f"Only {count} pairs; {USUAL} or more are usual."))
    steps = moisture_steps(pairs)
    if steps < USUAL_STEPS:
        remarks.append(
            Remark(
                f"Only {with_noun(steps, 'moisture step')}; {USUAL_STEPS} or more are usual, "
                "spread over the range the curve is for."
            )
        )
    remarks += _on_single_pairs(found)
    branches = {pair.branch for pair in pairs}
    if branches == {None}:
        remarks.append(
            Remark(
                "Whether the samples were wetting or drying is not said. The two differ "
                "(hysteresis): measure both, and name them in the column branch."
            )
        )
    elif not branches >= set(Branch):
        only = next(iter(branches - {None}))
        remarks.append(
            Remark(f"No sample but of the {only} branch: the other one may differ (hysteresis).")
        )
    else:
        remarks += _on_branches(found)
    remarks += _on_temperature(found)
    return tuple(remarks)


def _mixed_up(pairs: Sequence[Pair]) -> str:
    return SWAPPED if _swapped(pairs) else "Look whether columns or units are mixed up."


def _swapped(pairs: Sequence[Pair]) -> bool:
    """Whether the temperatures go with the resistances as moistures should, and better than they.

    A sample's resistance falls as it gets wetter, over decades; a few kelvins can't do as much.
    """
    logs = [log10(pair.resistance) for pair in pairs]
    temperatures = [pair.temperature for pair in pairs]
    if len(pairs) < FEWEST or len(set(temperatures)) < 2 or len(set(logs)) < 2:
        return False
    line = least_squares([logs], temperatures)
    return line.coefficients[1] < 0.0 and line.r_squared > 0.8


def _on_branches(found: Fit) -> list[Remark]:
    apart = branches_apart(found)
    if apart is None or apart.probability >= APART:
        return []
    return [
        Remark(
            f"Wetting and drying samples lie on two lines (F test, p = {apart.probability:.1g}): "
            f"drying ones differ by {apart.by:+.1f} % MC from wetting ones of the same resistance, "
            "in the middle of the samples. This curve runs between the two: fit a curve to each "
            "branch if you know on which a reading lies."
        )
    ]


def _holds(found: Fit) -> bool:
    """Whether a rig file would take it; `longsoak.rigfile.curves` has the same bounds."""
    curve = curve_of(found, name="", made_for=MadeFor.WOOD, source="", fitted_on="")
    relation = relation_of(curve)
    try:
        wet, dry = relation.log_resistance(curve.highest), relation.log_resistance(curve.lowest)
    except OverflowError:
        return False
    spread = (curve.residual, curve.uncertainty / 20.0, curve.per_kelvin_uncertainty)
    return 0.0 < wet < dry < 18.0 and max(spread) <= 1.0


def _on_single_pairs(found: Fit) -> list[Remark]:
    said = far_off(found)
    if len(said) <= MOST_TOLD:
        return [Remark(says) for says in said.values()]
    most, limit = _usual_leverage(found), _farthest(found)
    worst = sorted(
        said,
        key=lambda place: max(
            found.line.leverages[place] / most, abs(found.studentised[place]) / limit
        ),
        reverse=True,
    )
    rest = len(said) - MOST_TOLD
    return [
        *(Remark(said[place]) for place in sorted(worst[:MOST_TOLD])),
        Remark(f"{with_noun(rest, 'more pair')} stand out by leverage or residual, though less."),
    ]


def _usual_leverage(found: Fit) -> float:
    """Three times the mean leverage, beyond which a pair is looked at: common practice.

    Of few pairs that would be 1 and more, which none has; one near 1 makes its own line.
    """
    return min(3.0 * len(found.line.coefficients) / len(found.pairs), 0.9)


def _farthest(found: Fit) -> float:
    """The largest deleted residual that chance alone leaves in 95 of 100 clean sets.

    Each is Student's t of one degree of freedom less than the line had; the 5 % are shared out
    among the pairs (Bonferroni; common practice). `inf` where too few degrees are left.
    """
    freedom = found.line.freedom + found.spent - 1.0
    if freedom < 1.0:
        return inf
    return student_quantile(1.0 - 0.025 / len(found.pairs), freedom)


def far_off(found: Fit) -> dict[int, str]:
    """Pairs that carry the curve by themselves, or lie off it, by their place."""
    most, limit = _usual_leverage(found), _farthest(found)
    said = {}
    for place, pair in enumerate(found.pairs):
        leverage, off = found.line.leverages[place], found.studentised[place]
        parts = []
        if leverage > most:
            parts.append(
                f"{pair.sample} carries much of the curve by itself: its leverage is "
                f"{leverage:#.2g}, above {most:#.2g}. Add pairs near it."
            )
        if abs(off) > limit:
            parts.append(
                f"{pair.sample} lies {abs(off):.1f} standard deviations off the curve of the "
                f"others, where chance leaves up to {limit:.1f}. Measure it again or find out why; "
                "leave it out only for a reason."
            )
        if parts:
            said[place] = " ".join(parts)
    return said


def _on_temperature(found: Fit) -> list[Remark]:
    temperatures = [pair.temperature for pair in found.pairs]
    coldest, warmest = min(temperatures), max(temperatures)
    remarks = []
    if found.shift in (Shift.FEW, Shift.TIED):
        why = (
            f"fewer than {ENOUGH_FOR_TEMPERATURE} pairs"
            if found.shift is Shift.FEW
            else "they change together with the resistances"
        )
        remarks.append(
            Remark(
                f"The temperatures spread from {coldest:.1f} to {warmest:.1f} °C and nothing "
                f"corrects for it: {why}. Measure at one temperature, or give --per-kelvin."
            )
        )
    elif found.shift is Shift.NARROW:
        remarks.append(
            Remark(
                f"The temperatures spread less than {SPREAD:g} K, so no correction was found: the "
                f"curve holds near {found.reference_temperature:.1f} °C. Give --per-kelvin if you "
                "know it."
            )
        )
    elif found.shift is Shift.FITTED:
        half = student_quantile(0.975, found.line.freedom) * found.per_kelvin_uncertainty
        if found.per_kelvin + half < 0.0:
            remarks.append(
                Remark(
                    f"The fitted shift of {found.per_kelvin:.4f} per kelvin has the wrong sign: "
                    "these warm samples conduct worse than cold ones, and nothing of the kind "
                    "does. Look at the temperatures, or give --per-kelvin.",
                    unusable=True,
                )
            )
        elif found.per_kelvin - half <= 0.0:
            remarks.append(
                Remark(
                    f"The fitted shift of {found.per_kelvin:.4f} per kelvin can't be told from "
                    "none, and warm samples conduct better. Give --per-kelvin, or vary "
                    "temperature at sealed, constant moisture."
                )
            )
    if coldest < 0.0:
        remarks.append(
            Remark("Some samples were below 0 °C. Frozen ones can't be measured this way.")
        )
    return remarks


def on_fractions(pairs: Sequence[Pair], made_for: MadeFor | None) -> tuple[Remark, ...]:
    """Whether moistures that were given, not weighed, look like fractions in the place of %.

    Pins in wood tell nothing below 1 %. Plaster and brick may be as dry as that in earnest, so for
    a mineral material, named as such, it is only told.
    """
    most = max(pair.moisture for pair in pairs)
    if most > LOOKS_LIKE_A_FRACTION:
        return ()
    if made_for is MadeFor.MINERAL:
        return (Remark(f"All moistures are {most:g} % or less. Make sure they are no fractions."),)
    return (
        Remark(
            f"All moistures are {most:g} % or less, which looks like fractions: write "
            f"{100 * most:g} for {100 * most:g} %. If they are per cent, of a mineral material, "
            "add --material mineral.",
            unusable=True,
        ),
    )
