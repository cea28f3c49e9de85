"""Readings by hand held against embedded pins, in words and as a document. Pure."""

from collections.abc import Iterable

from longsoak.core.findings.agreement import Agreement, DepthBias
from longsoak.core.findings.estimate import Estimate
from longsoak.core.handplaces import LAPSE_MS
from longsoak.core.handrulewords import rule_words, wins_words
from longsoak.core.uptake import Undetermined
from longsoak.core.wording import rfc3339, time_words, with_noun
from longsoak.report.handagreement import (
    Alike,
    Declared,
    HandAgreement,
    HandPair,
    Held,
    LeftOut,
    Round,
)
from longsoak.vocabulary.rig import QUANTITY_WORDS

COLUMNS = ("bay", "place", "pins", "off", "hand", "embedded", "difference")
RIGHT = "off hand embedded difference"
FOOT = "off: mm between hole and pins; difference: embedded less hand, both in % by the pins' curve"
_LAPSE_H = LAPSE_MS // 3_600_000


def map_rows(pairs: Iterable[HandPair]) -> list[tuple[str, ...]]:
    """A round's map beside the pins' of the same hour: a row for each place, as `COLUMNS`."""
    return [
        (
            pair.reading.bay,
            pair.reading.place.words,
            pair.probe,
            f"{pair.off:.0f}",
            f"{pair.hand:.1f}",
            f"{pair.embedded:.1f}",
            f"{pair.difference:+z.1f}",
        )
        for pair in pairs
    ]


def head_words(each: Round) -> str:
    """Which round, when, and how much of it stands beside pins."""
    span = time_words(each.from_ms)
    if each.until_ms != each.from_ms:
        span = f"{span} to {time_words(each.until_ms)}"
    taken = f"{with_noun(each.taken, 'reading')} by hand"
    if each.goes_on:
        return (
            f"Round {each.name}, {span}, {taken}: it goes on. It is compared once each of its "
            f"meters was checked on a test block after it, or {_LAPSE_H} h after its last "
            "reading, so that its next places are read blind as well."
        )
    beside = len({pair.reading.number for pair in each.pairs})
    return f"Round {each.name}, {span}: {taken}, {beside} of them held against embedded pins."


def held_words(held: Held, *, what: str) -> list[str]:
    """What pairs of one quantity come to, in sentences; `what` names the round, or all of them."""
    unit, found = QUANTITY_WORDS[held.quantity], held.agreement
    name = f"{what}, {held.quantity}"
    if isinstance(found, Undetermined):
        mean = sum(pair.difference for pair in held.pairs) / len(held.pairs)
        said = [
            f"{name}: no limits of agreement, {found.why}. The mean difference is "
            f"{mean:+z.1f} {unit}."
        ]
    else:
        said = [
            f"{name}: embedded less hand is {_of(found.bias)} {unit} in the mean; 95 % of single "
            f"differences lie between {_of(found.lower)} and {_of(found.upper)} {unit} (limits of "
            f"agreement, each with its {100 * found.confidence:g} % interval). {_basis(found)}"
        ]
        if found.proportional and found.slope is not None:
            said.append(
                f"The difference changes with the moisture, by {_of(found.slope, digits=2)} a % "
                "MC: one pair of limits does not serve the whole range."
            )
    said += _depths_words(held.by_depth, unit)
    return said


def judged_words(held: Held, declared: Declared) -> str:
    """Whether hand and pins differ beyond what was declared, and which counts then."""
    rule, unit = declared.rule, QUANTITY_WORDS[held.quantity]
    allowed = f"the {rule.tolerance:g} {unit} that {'was' if not declared.late else 'is'} declared"
    if held.alike is Alike.AGREE:
        return f"They agree within {allowed}."
    wins = wins_words(rule)
    if held.alike is Alike.DIFFER:
        return f"They differ by more than {allowed}: {wins}."
    return f"Whether they differ by more than {allowed} is undecided. If they do, {wins}."


def declared_words(declared: Declared | None) -> str:
    """What was declared beforehand, by which version of the rig file."""
    if declared is None:
        return (
            "Nothing was declared beforehand: no table [hand_readings] says which value wins, and "
            "by how much two may differ."
        )
    by = f"version {declared.version} of the rig file, {time_words(declared.declared_ms)}"
    if declared.late:
        return (
            f"Declared by {by}, when the round had begun, so that it is nothing declared "
            f"beforehand: {rule_words(declared.rule)}."
        )
    return f"Declared beforehand by {by}: {rule_words(declared.rule)}."


def round_words(each: Round) -> list[str]:
    """What a round comes to, in sentences."""
    said: list[str] = []
    for held in each.held:
        said += held_words(held, what=f"Round {each.name}")
        if each.declared is not None:
            said.append(judged_words(held, each.declared))
    if not each.goes_on:
        said.append(declared_words(each.declared))
    return [*said, *remarks(each)]


def all_words(found: HandAgreement) -> list[str]:
    """What all rounds come to together, where there are several that are over."""
    over = [each for each in found.rounds if each.pairs]
    if len(over) < 2:
        return []
    said: list[str] = []
    declared = None if found.mixed else over[-1].declared
    for held in found.held:
        said += held_words(held, what="All rounds together")
        if declared is not None:
            said.append(judged_words(held, declared))
    if found.mixed:
        said.append(
            "Not the same was declared of all of them, so that together they are not judged."
        )
    return said


def remarks(each: Round) -> list[str]:
    """What whoever doubts a round has to be told, in sentences."""
    said = [f"Meter {words}" for words in each.meters]
    if each.goes_on:
        return said
    said += left_out_words(each.left_out)
    if each.flagged:
        told = "; ".join(f"{count} {words}" for words, count in sorted(each.flagged.items()))
        said.append(f"Embedded readings of these hours that are not used: {told}.")
    by = [pair for pair in each.pairs if not pair.told]
    if by:
        said.append(
            f"Of {with_noun(len(by), 'pair')} nobody measured how warm the wood at the hole was; "
            "the embedded thermometers tell it."
        )
    bare = sum(pair.reading.setting.pins == "bare" for pair in each.pairs)
    if bare:
        said.append(
            f"{with_noun(bare, 'pair')} by bare pins, which read the wettest wood along them "
            "(common practice)."
        )
    same = sum(pair.reading.same_hole for pair in each.pairs)
    if same:
        said.append(f"{with_noun(same, 'pair')} from a hole that was used before, on purpose.")
    if each.late:
        numbers = ", ".join(map(str, each.late))
        said.append(
            "Written when the meter had been checked for the end of the round, and perhaps not "
            f"read blind: entry {numbers}."
        )
    return said


def left_out_words(left_out: Iterable[LeftOut]) -> list[str]:
    """Which readings by hand are in no number, those left out for one reason together."""
    by: dict[str, list[int]] = {}
    for each in left_out:
        by.setdefault(each.says, []).append(each.reading.number)
    return [
        f"Left out: {says} ({'entry' if len(numbers) == 1 else 'entries'} "
        f"{', '.join(map(str, numbers))})."
        for says, numbers in by.items()
    ]


def agreement_document(found: HandAgreement) -> dict[str, object]:
    """All of it for programs: times in RFC 3339 UTC, lengths in mm, values in %."""
    return {
        "rounds": [_round_document(each) for each in found.rounds],
        "all": [_held_document(held) for held in found.held],
        "declared_alike": not found.mixed,
    }


def _round_document(each: Round) -> dict[str, object]:
    document: dict[str, object] = {
        "round": each.name,
        "from": rfc3339(each.from_ms),
        "to": rfc3339(each.until_ms),
        "readings": each.taken,
        "goes_on": each.goes_on,
        "meters": list(each.meters),
        "checked_before": each.before,
        "checked_after": each.after,
        "declared": _declared_document(each.declared),
    }
    if each.goes_on:
        return document
    return document | {
        "pairs": [_pair_document(pair) for pair in each.pairs],
        "left_out": [
            {
                "number": left.reading.number,
                "probe": left.probe,
                "why": left.why.value,
                "says": left.says,
            }
            for left in each.left_out
        ],
        "flagged": dict(each.flagged or {}),
        "agreement": [_held_document(held) for held in each.held],
        "remarks": remarks(each),
    }


def _pair_document(pair: HandPair) -> dict[str, object]:
    reading = pair.reading
    return {
        "number": reading.number,
        "at": rfc3339(reading.at_ms),
        "bay": reading.bay,
        "depth_mm": reading.place.depth,
        "height_mm": reading.place.height,
        "across_mm": reading.place.across,
        "probe": pair.probe,
        "probe_depth_mm": pair.depth,
        "off_mm": pair.off,
        "quantity": pair.quantity.value,
        "shown": reading.shown.value,
        "unit": reading.shown.unit,
        "hand": pair.hand,
        "embedded": pair.embedded,
        "embedded_readings": pair.count,
        "difference": pair.difference,
        "temperature": pair.temperature,
        "temperature_told": pair.told,
    }


def _held_document(held: Held) -> dict[str, object]:
    found = held.agreement
    document: dict[str, object] = {
        "quantity": held.quantity.value,
        "pairs": len(held.pairs),
        "verdict": None if held.alike is None else held.alike.value,
        "by_depth": [
            {
                "depth_mm": each.depth,
                "mean": each.mean,
                "interval": None
                if isinstance(each.bias, Undetermined)
                else [each.bias.low, each.bias.high],
                "places": each.places,
                "pairs": each.pairs,
            }
            for each in held.by_depth
        ],
    }
    if isinstance(found, Undetermined):
        return document | {"agreement": None, "why": found.why}
    return document | {
        "agreement": {
            "bias": _estimate(found.bias),
            "lower": _estimate(found.lower),
            "upper": _estimate(found.upper),
            "spread": found.spread,
            "between": found.between,
            "within": found.within,
            "slope": None if found.slope is None else _estimate(found.slope),
            "confidence": found.confidence,
            "places": found.places,
            "basis": found.basis,
        },
        "why": None,
    }


def _declared_document(declared: Declared | None) -> dict[str, object] | None:
    if declared is None:
        return None
    rule = declared.rule
    return {
        "wins": rule.wins.value,
        "tolerance": rule.tolerance,
        "depth_within_mm": rule.depth_within,
        "height_within_mm": rule.height_within,
        "scales": dict(rule.scales),
        "version": declared.version,
        "declared": rfc3339(declared.declared_ms),
        "late": declared.late,
    }


def _estimate(found: Estimate) -> dict[str, float]:
    return {"value": found.value, "low": found.low, "high": found.high}


def _depths_words(found: Iterable[DepthBias], unit: str) -> list[str]:
    parts = [
        f"{each.depth:g} mm {each.mean:+z.1f} (one place)"
        if isinstance(each.bias, Undetermined)
        else f"{each.depth:g} mm {_of(each.bias)}"
        for each in found
    ]
    return [f"By depth, {unit}: {'; '.join(parts)}."] if parts else []


def _of(found: Estimate, *, digits: int = 1) -> str:
    low, high = (f"{end:+z.{digits}f}" for end in (found.low, found.high))
    return f"{found.value:+z.{digits}f} ({low} to {high})"


def _basis(found: Agreement) -> str:
    return f"{found.basis[:1].upper()}{found.basis[1:]}."
