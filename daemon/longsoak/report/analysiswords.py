"""What was worked out of a record in words, as tables for people and as a document for programs.

Pure.
"""

from collections.abc import Iterable, Sequence
from math import floor, hypot, log10

from longsoak.core.elapsedwords import elapsed_words
from longsoak.core.findings.comparison import Comparison
from longsoak.core.findings.decision import Bound
from longsoak.core.findings.estimate import Estimate
from longsoak.core.front import Front
from longsoak.core.phases import Phase
from longsoak.core.uptake import Undetermined
from longsoak.core.wording import rfc3339, time_words
from longsoak.core.zones import Spot
from longsoak.report.analysed import (
    Analysis,
    BayComparison,
    Exposure,
    MassUptake,
    Outlook,
    PhaseComparison,
    PlaceMean,
    Profile,
    Progress,
    Reached,
    Tendency,
)
from longsoak.report.analysis import LAST_H, NEAR, ONE_RIG, ONE_SPECIMEN, RISE
from longsoak.report.paper import Listing
from longsoak.report.stretches import DAY_H
from longsoak.vocabulary.rig import LIMIT_UNIT_WORDS

_DAY_S = 86_400.0
_K = 1.96  # normal quantile of a two-sided 95 %
_ROOT_HOUR = 60.0  # s^0.5
_NONE = "none"
_COMPARED = (
    *("depth, mm", "seats", "difference", "unit", "in standard deviations", "pairs"),
    *("independent", "note"),
)
_NUMBERS = ("depth, mm", "seats", "pairs", "independent")
_BOUND_WORDS = {Bound.NONE: "", Bound.AT_LEAST: "at least ", Bound.AT_MOST: "at most "}


def listings(analysis: Analysis) -> list[Listing]:
    """Everything as tables, in the order it is read."""
    found = profile_listings(analysis.profiles)
    found += [_progress(each) for each in analysis.progress]
    for phase in _phases(each.phase for each in analysis.tendencies):
        found.append(_tendencies(phase, [t for t in analysis.tendencies if t.phase == phase]))
    if analysis.outlooks:
        found.append(_outlooks(analysis.outlooks))
    if analysis.exposures:
        found.append(_exposures(analysis.exposures))
    for phase in _phases(each.phase for each in analysis.bays):
        found.append(_bays(phase, [c for c in analysis.bays if c.phase == phase]))
    for phase in _phases(each.later for each in analysis.phases):
        found.append(_two_phases(phase, [c for c in analysis.phases if c.later == phase]))
    if analysis.masses:
        found.append(_masses(analysis.masses))
    return found


def profile_listings(found: Sequence[Profile]) -> list[Listing]:
    """A table for each bay, a column for each time."""
    bays = dict.fromkeys(each.bay for each in found)
    return [_profiles(bay, [each for each in found if each.bay == bay]) for bay in bays]


def mean_words(place: PlaceMean) -> str:
    """A mean with twice its standard uncertainty: "17.4 ± 0.9", "at least 60"."""
    if place.value is None or place.uncertainty is None:
        return _NONE
    if place.bound is not Bound.NONE:
        return f"{_BOUND_WORDS[place.bound]}{place.value:.1f}"
    return f"{place.value:.1f} ± {2 * place.uncertainty:.1f}"


def estimate_words(found: Estimate, digits: int = 1) -> str:
    """A value with its interval: "1.2 (0.9 to 1.5)"."""
    parts = (round(part, digits) + 0.0 for part in _parts(found))  # no "-0.0"
    value, low, high = (f"{part:.{digits}f}" for part in parts)
    return f"{value} ({low} to {high})"


def _noted(rows: Sequence[tuple[str, ...]]) -> tuple[tuple[tuple[str, ...], ...], list[str]]:
    """Rows with the number of a note for the reason in their last cell, and the notes."""
    notes: dict[str, int] = {}
    found = []
    for *cells, why in rows:
        number = str(notes.setdefault(why, len(notes) + 1)) if why else ""
        found.append((*cells, number))
    return tuple(found), [f"Note {number}: {why}." for why, number in notes.items()]


def front_words(pace: Front | Undetermined) -> str:
    """A front's pace in mm per root of an hour, with twice its standard uncertainty."""
    if isinstance(pace, Undetermined):
        return f"No pace of the front: {pace.why}."
    off = 2 * _ROOT_HOUR * pace.uncertainty
    digits = max(1, min(3, 1 - floor(log10(off)))) if off else 3
    return (
        f"The front went {_ROOT_HOUR * pace.pace:.{digits}f} ± {off:.{digits}f} mm in the root of "
        "an hour, fitted through the face at the beginning; ± is twice the fit's standard "
        "uncertainty, without that of the depths."
    )


def _phases(phases: Iterable[Phase]) -> list[Phase]:
    return list({phase.number: phase for phase in phases}.values())


def _profiles(bay: str, found: Sequence[Profile]) -> Listing:
    head = ("depth, mm", "height, mm", "layer", "probe", "unit")
    titles = tuple(each.title for each in found)
    values: dict[str, dict[int, str]] = {}
    seats = {place.name: place for each in found for place in each.places}
    for number, each in enumerate(found):
        for place in each.places:
            values.setdefault(place.name, {})[number] = mean_words(place)
    rows = tuple(
        (
            f"{place.spot.depth or 0:g}",
            f"{place.spot.height or 0:g}",
            place.spot.layer or "",
            name,
            place.unit,
            *(values[name].get(number, _NONE) for number in range(len(found))),
        )
        for name, place in seats.items()
    )
    ends = "; ".join(f"{each.title}, {time_words(each.until_ms)}" for each in found)
    says = [f"Means of the day up to each time, with twice their standard uncertainty: {ends}."]
    if any(_NONE in row for row in rows):
        says.append(
            f'"{_NONE}": no good readings of half of that day, as after a contact with the water; '
            "see what was set aside."
        )
    return Listing(f"{bay} by depth", tuple(says), (*head, *titles), rows, (head[0], head[1]))


def _progress(found: Progress) -> Listing:
    head = ("depth, mm", "height, mm", "probe", "reached after, h", "stood out, h later")
    says = [front_words(found.pace), *found.doubts]
    if found.stood_h:
        says.append(f"{found.stood_h:.4g} h in which the face was not wetted do not count.")
    if found.unknown_h:
        says.append(
            f"Whether the face was wetted is not known of {found.unknown_h:.4g} h; they count."
        )
    says.append(
        "It stood out once it stayed above what it read in the week before by "
        f"{RISE:g} % or four of its standard deviations, whichever is more; the line of its first "
        "day's rise is followed back from there."
    )
    return Listing(
        f"Water through {found.bay}, {found.phase.title}",
        tuple(says),
        head,
        tuple(map(_reached, found.reached)),
        (head[0], head[1], head[3], head[4]),
    )


def _reached(found: Reached) -> tuple[str, ...]:
    spot = found.spot
    where = f"{spot.depth or 0:g}", f"{spot.height or 0:g}", spot.probes[0]
    if found.hours is None:
        return (*where, f"not known: {found.why}" if found.why else "not reached", "")
    return (*where, f"{found.hours:.0f}", f"{found.after or 0.0:.0f}")


def _tendencies(phase: Phase, found: Sequence[Tendency]) -> Listing:
    head = ("bay", "depth, mm", "height, mm", "probe", "tends to", "steady from day", "note")
    rows = []
    for each in found:
        spot, end = each.spot, each.found
        where = spot.bay or "", f"{spot.depth or 0:g}", f"{spot.height or 0:g}", spot.probes[0]
        if isinstance(end, Undetermined):
            rows.append((*where, "not determinable", "", end.why))
        else:
            value = f"{estimate_words(end.final)} {_unit(spot)}"
            days = Estimate(*(part / _DAY_S for part in _parts(end.steady_at)))
            steady = estimate_words(days) if days.high else "the first on"
            rows.append((*where, value, steady, end.why))
    shown, notes = _noted(rows)
    clock = "of wetted time" if phase.phase == "wetting" else "since it began"
    says = (
        f"Final values with 95 % intervals; steady is within {NEAR:g} % of it, days {clock}.",
        "A plateau at the end of a probe's range is not determinable.",
        *notes,
    )
    return Listing(f"Where readings tend, {phase.title}", says, head, shown, (head[1], head[2]))


def _outlooks(found: Sequence[Outlook]) -> Listing:
    head = ("limit", "probe", "to run still", "verdict then", "note")
    rows = []
    for each in found:
        where = each.limit.name, each.spot.probes[0]
        if isinstance(each.found, Undetermined):
            rows.append(
                (*where, "can't be told", "", each.found.why.removeprefix("can't be told: "))
            )
        elif not each.found.still:
            rows.append((*where, "decided", each.found.verdict.value, ""))
        else:
            rows.append((*where, elapsed_words(each.found.still), each.found.verdict.value, ""))
    shown, notes = _noted(rows)
    says = "If each place ends where it now seems to, and readings scatter as they have so far."
    return Listing(f"How long {found[0].phase.title} must still run", (says, *notes), head, shown)


def _exposures(found: Sequence[Exposure]) -> Listing:
    head = ("phase", "limit", "probe", "above", "hours above", "of hours", "covered")
    rows = tuple(
        (
            each.phase.title,
            each.limit.name,
            each.spot.probes[0],
            f"{each.limit.bound:g} {_unit(each.spot)}",
            estimate_words(each.found.hours, 0),
            f"{each.found.window:.0f}",
            f"{100 * each.found.coverage:.0f} %",
        )
        for each in found
    )
    says = "Of hourly means; the interval is what their uncertainty, taken as one, leaves open."
    return Listing("Hours above limits", (says,), head, rows, head[4:])


def _bays(phase: Phase, found: Sequence[BayComparison]) -> Listing:
    head = ("bays", *_COMPARED)
    rows, says = [], []
    for each in found:
        pair = f"{each.first} less {each.second}"
        rows.append((pair, f"{each.depth:g}", str(each.seats), *_compared(each)))
        if each.left_out:
            says.append(
                f"{pair}, {each.depth:g} mm: {', '.join(each.left_out)} left out, at an open line."
            )
    shown, notes = _noted(rows)
    note = (
        f"Differences with 95 % intervals over the last {LAST_H // DAY_H} days of the phase, hour "
        "for hour at the same seats, with the uncertainty of readings in either bay. They speak of "
        f"{ONE_SPECIMEN}."
    )
    return Listing(f"Bays compared, {phase.title}", (note, *says, *notes), head, shown, _NUMBERS)


def _two_phases(phase: Phase, found: Sequence[PhaseComparison]) -> Listing:
    head = ("bay", *_COMPARED)
    earlier = found[0].earlier
    rows = [(each.bay, f"{each.depth:g}", str(each.seats), *_compared(each)) for each in found]
    shown, notes = _noted(rows)
    note = (
        f"How far it lies above {earlier.title} of {time_words(earlier.from_ms)}, at the same time "
        f"since each began, over the last {LAST_H // DAY_H} days that both have, with 95 % "
        f"intervals. They speak of {ONE_RIG}."
    )
    return Listing(
        f"{phase.title[0].upper()}{phase.title[1:]} of {time_words(phase.from_ms)} against the one "
        "before",
        (note, *notes),
        head,
        shown,
        _NUMBERS,
    )


def _compared(each: BayComparison | PhaseComparison) -> tuple[str, ...]:
    found, unit = each.found, LIMIT_UNIT_WORDS[each.quantity]
    if isinstance(found, Undetermined):
        return "not determinable", unit, "", "", "", found.why
    effect = "" if found.effect is None else estimate_words(found.effect)
    worth = f"{found.effective:.3g}"
    return (
        estimate_words(_difference_of(found, each.common), 2),
        unit,
        effect,
        str(found.pairs),
        worth,
        "",
    )


def _difference_of(found: Comparison, common: float) -> Estimate:
    """A difference with its 95 % interval, what readings do not share with each other in it."""
    value, low, high = _parts(found.difference)
    off = _K * common
    return Estimate(value, value - hypot(value - low, off), value + hypot(high - value, off))


def _masses(found: Sequence[MassUptake]) -> Listing:
    head = ("phase", "scale", "face, m²", "A, kg/(m² √h)", "course", "why")
    rows = []
    for each in found:
        where = each.phase.title, each.probe, f"{each.area:.3g}"
        if isinstance(each.found, Undetermined):
            rows.append((*where, "not determinable", "", each.found.why))
            continue
        off = each.found.uncertainty
        spread = "" if off is None else f" ± {2 * _ROOT_HOUR * off:.2g}"
        value = f"{_ROOT_HOUR * each.found.coefficient:.3g}{spread}"
        rows.append((*where, value, each.found.course.value, each.found.why))
    note = "Water absorption coefficient (ISO 15148) from hourly means of the specimen's mass."
    return Listing("Uptake by mass", (note,), head, tuple(rows), (head[2],))


def _unit(spot: Spot) -> str:
    return LIMIT_UNIT_WORDS[spot.quantity]


def _parts(found: Estimate) -> tuple[float, float, float]:
    return found.value, found.low, found.high


def analysis_document(analysis: Analysis) -> dict[str, object]:
    """It for programs: times in RFC 3339 UTC, lengths in h or d as the names say."""
    return {
        "profiles": profile_documents(analysis.profiles),
        "fronts": [
            {
                "phase": each.phase.title,
                "bay": each.bay,
                "pace_mm_per_root_s": None
                if isinstance(each.pace, Undetermined)
                else each.pace.pace,
                "pace_standard_uncertainty": None
                if isinstance(each.pace, Undetermined)
                else each.pace.uncertainty,
                "why": front_words(each.pace),
                "doubts": list(each.doubts),
                "unknown_h": each.unknown_h,
                "not_wetted_h": each.stood_h,
                "reached": [
                    {
                        **_spot(one.spot),
                        "wetted_h": one.hours,
                        "known_within_h": one.after,
                        "why": one.why or None,
                    }
                    for one in each.reached
                ],
            }
            for each in analysis.progress
        ],
        "tendencies": [
            {"phase": each.phase.title, **_spot(each.spot), **_end(each)}
            for each in analysis.tendencies
        ],
        "outlooks": [
            {
                "phase": each.phase.title,
                "limit": each.limit.name,
                **_spot(each.spot),
                "still_d": None
                if isinstance(each.found, Undetermined)
                else each.found.still / _DAY_S,
                "verdict": None
                if isinstance(each.found, Undetermined)
                else each.found.verdict.value,
                "why": each.found.why,
            }
            for each in analysis.outlooks
        ],
        "hours_above": [
            {
                "phase": each.phase.title,
                "limit": each.limit.name,
                **_spot(each.spot),
                "above": each.limit.bound,
                "hours": each.found.hours.value,
                "hours_interval": [each.found.hours.low, each.found.hours.high],
                "window_h": each.found.window,
                "covered_h": each.found.covered,
            }
            for each in analysis.exposures
        ],
        "bays_compared": [
            {
                "phase": each.phase.title,
                "first": each.first,
                "second": each.second,
                "quantity": each.quantity.value,
                "depth_mm": each.depth,
                "seats": each.seats,
                "left_out": list(each.left_out),
                **_difference(each),
            }
            for each in analysis.bays
        ],
        "phases_compared": [
            {
                "later": each.later.title,
                "earlier": each.earlier.title,
                "bay": each.bay,
                "quantity": each.quantity.value,
                "depth_mm": each.depth,
                "seats": each.seats,
                **_difference(each),
            }
            for each in analysis.phases
        ],
        "uptake_by_mass": [
            {
                "phase": each.phase.title,
                "probe": each.probe,
                "area_m2": each.area,
                "coefficient_kg_per_m2_root_s": None
                if isinstance(each.found, Undetermined)
                else each.found.coefficient,
                "why": each.found.why,
            }
            for each in analysis.masses
        ],
    }


def profile_documents(found: Iterable[Profile]) -> list[dict[str, object]]:
    """Profiles for programs."""
    return [
        {
            "title": each.title,
            "bay": each.bay,
            "from": rfc3339(each.from_ms),
            "to": rfc3339(each.until_ms),
            "places": [
                {
                    **_spot(place.spot),
                    "mean": place.value,
                    "standard_uncertainty": place.uncertainty,
                    "bound": _BOUND_WORDS[place.bound].strip() or None,
                }
                for place in each.places
            ],
        }
        for each in found
    ]


def _spot(spot: Spot) -> dict[str, object]:
    return {
        "probe": spot.probes[0],
        "bay": spot.bay,
        "layer": spot.layer,
        "depth_mm": spot.depth,
        "height_mm": spot.height,
        "quantity": spot.quantity.value,
    }


def _end(each: Tendency) -> dict[str, object]:
    end = each.found
    if isinstance(end, Undetermined):
        return {"final": None, "why": end.why}
    return {
        "final": end.final.value,
        "final_interval": [end.final.low, end.final.high],
        "steady_d": [part / _DAY_S for part in _parts(end.steady_at)],
        "pace": None if end.pace is None else elapsed_words(end.pace.value),
        "why": end.why,
    }


def _difference(each: BayComparison | PhaseComparison) -> dict[str, object]:
    found = each.found
    if isinstance(found, Undetermined):
        return {"difference": None, "why": found.why}
    effect, difference = found.effect, _difference_of(found, each.common)
    return {
        "difference": difference.value,
        "difference_interval": [difference.low, difference.high],
        "effect": None if effect is None else effect.value,
        "effect_interval": None if effect is None else [effect.low, effect.high],
        "pairs": found.pairs,
        "why": found.basis,
    }
