"""What is to be doubted in a fitted curve, in sentences. Pure."""

from dataclasses import dataclass

from longsoak.core.fittedcurve import curve_of
from longsoak.core.fitting import (
    ENOUGH_FOR_TEMPERATURE,
    SPREAD,
    Branch,
    Fit,
    Shift,
    moisture_steps,
)
from longsoak.core.regression import student_quantile
from longsoak.core.relations import relation_of
from longsoak.core.wording import with_noun
from longsoak.vocabulary.curve import MadeFor

FEWEST = 4  # pairs: with three, one residual would have to tell the scatter
MOST_TOLD = 10  # single pairs; a long list hides the rest of what is said
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
                "Moisture rises with resistance, so this is no curve. Look whether columns or "
                "units are mixed up.",
                unusable=True,
            )
        )
    elif not found.tells:
        remarks.append(
            Remark(
                "The scatter is so wide that moisture may not depend on resistance at all.",
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
    remarks += _on_temperature(found)
    return tuple(remarks)


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
    most = _usual_leverage(found)
    worst = sorted(
        said,
        key=lambda place: max(
            found.line.leverages[place] / most, abs(found.studentised[place]) / 3
        ),
        reverse=True,
    )
    rest = len(said) - MOST_TOLD
    return [
        *(Remark(said[place]) for place in sorted(worst[:MOST_TOLD])),
        Remark(f"{with_noun(rest, 'more pair')} stand out by leverage or residual, though less."),
    ]


def _usual_leverage(found: Fit) -> float:
    """Twice the mean leverage, beyond which a pair is looked at: common practice."""
    return 2.0 * len(found.line.coefficients) / len(found.pairs)


def far_off(found: Fit) -> dict[int, str]:
    """Pairs that carry the curve by themselves, or lie off it, by their place."""
    most = _usual_leverage(found)
    said = {}
    for place, pair in enumerate(found.pairs):
        leverage, off = found.line.leverages[place], found.studentised[place]
        parts = []
        if leverage > most:
            parts.append(
                f"{pair.sample} carries much of the curve by itself: its leverage is "
                f"{leverage:#.2g}, above 2p/n = {most:#.2g}. Add pairs near it."
            )
        if abs(off) > 3.0:
            parts.append(
                f"{pair.sample} lies {abs(off):.1f} standard deviations off the curve of the "
                "others. Measure it again or find out why; leave it out only for a reason."
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
            f"The temperatures spread from {coldest:.1f} to {warmest:.1f} °C and nothing corrects "
            f"for it: {why}. Measure at one temperature, or give --per-kelvin."
        )
    elif found.shift is Shift.NARROW:
        remarks.append(
            f"The temperatures spread less than {SPREAD:g} K, so no correction was found: the "
            f"curve holds near {found.reference_temperature:.1f} °C. Give --per-kelvin if you "
            "know it."
        )
    elif found.shift is Shift.FITTED:
        t = student_quantile(0.975, found.line.freedom)
        if not found.per_kelvin - t * found.per_kelvin_uncertainty > 0.0:
            remarks.append(
                f"The fitted shift of {found.per_kelvin:.4f} per kelvin can't be told from none, "
                "or has the wrong sign: warm samples conduct better. Give --per-kelvin, or vary "
                "temperature at sealed, constant moisture."
            )
    if coldest < 0.0:
        remarks.append("Some samples were below 0 °C. Frozen ones can't be measured this way.")
    return [Remark(says) for says in remarks]
