"""Findings in words and as a document. Pure."""

from longsoak.core.limitwords import bound_words
from longsoak.core.newholes import hole_document, offset_words
from longsoak.core.wettrades import trade_document, trade_words, trades_in
from longsoak.core.wording import rfc3339, time_words, with_noun
from longsoak.report.verdicts import Finding
from longsoak.vocabulary.rig import LIMIT_UNIT_WORDS, Above, LimitQuantity


def why_words(finding: Finding) -> str:
    """Why a finding is as it is: the verdict's own reason, then how far off the zone was."""
    verdict = finding.verdict
    return " ".join(part for part in (verdict.why, worst_words(finding)) if part)


def worst_words(finding: Finding) -> str:
    """The zone at its worst, and its margin; empty where nothing was read."""
    verdict, limit = finding.verdict, finding.limit
    if verdict.value is None or verdict.margin is None or finding.worst_ms is None:
        return ""
    unit = LIMIT_UNIT_WORDS[limit.quantity]
    unit = f" {unit}" if unit else ""
    doubled = 2 * (verdict.uncertainty or 0.0)
    return (
        f"At its worst it was {verdict.value:.1f} ± {doubled:.1f}{unit}, in the {limit.window:g} h "
        f"from {time_words(finding.worst_ms)}: {margin_words(verdict.margin)}."
    )


def margin_words(margin: float, unit: str = "") -> str:
    """How far within a limit or beyond it: "8.4 % MC to spare"."""
    side = "to spare" if margin >= 0 else "too far"
    return f"{abs(margin):.1f} {unit + ' ' if unit else ''}{side}"


def remarks(finding: Finding) -> list[str]:
    """What whoever doubts a finding has to be told, in sentences."""
    found = []
    if finding.late:
        found.append(
            f"It was declared when the phase had begun, by version {finding.version} of the rig "
            f"file, {time_words(finding.declared_ms)}: it is no limit declared beforehand."
        )
    if finding.changed:
        numbers = ", ".join(map(str, finding.changed))
        found.append(
            "It was changed while the phase went on, in "
            f"{with_noun(len(finding.changed), 'version')} of the rig file ({numbers}); it is "
            "judged as it stood at the beginning."
        )
    if finding.aside:
        other = finding.with_aside
        same = other.outcome is finding.verdict.outcome
        found.append(
            f"Contacts with the water set readings of it aside in {finding.aside:g} h of windows. "
            f"With them in it would {'still ' if same else ''}be {other.outcome}."
        )
    found += _of_trades(finding)
    found += _of_holes(finding)
    if finding.phase.unmet:
        found.append(
            f"The phase began although not met: {', '.join(finding.phase.unmet)}. The reason "
            f"given: {finding.phase.although}."
        )
    if finding.limit.quantity is LimitQuantity.MOULD_INDEX:
        found.append(
            "The index is a risk figure of a model, from 0 at the first reading of each seat; what "
            "the model itself is off by is in no uncertainty here. While nothing good was read it "
            "may have grown or fallen, and no verdict leans on its having stayed as it was."
        )
    if finding.phase.until_ms is None:
        found.append("The phase goes on: this is as far as it has come.")
    return found


def _of_trades(finding: Finding) -> list[str]:
    """What was poured, how long it settles, and what it may be judged against."""
    found = [
        f"{trade_words(trade)}, {time_words(trade.at_ms)} (entry {trade.number}): the mix water "
        f"and the alkali wet pins from inside, and it settles until {time_words(trade.until_ms)}."
        for trade in finding.trades
    ]
    if finding.settling:
        other = finding.with_settling
        same = other.outcome is finding.verdict.outcome
        found.append(
            f"While it settles {finding.settling:g} h of windows are set aside. With them in it "
            f"would {'still ' if same else ''}be {other.outcome}."
        )
    if found:
        found.append(_against(finding))
    if found and finding.limit.quantity is LimitQuantity.MASS_GAIN:
        found.append("What was poured counts as gained mass.")
    return found


def _against(finding: Finding) -> str:
    """Whether there is an unwetted control that was filled alike."""
    control = finding.phase.control
    asks = "Judge it against an unwetted control that was filled alike"
    if not control:
        return f"{asks}: the phase names no control."
    filled = trades_in(finding.control_trades, control)
    if not filled:
        return f"{asks}: the control of the phase, {control}, was not filled."
    numbers = ", ".join(str(trade.number) for trade in filled)
    return f"{asks}: the control of the phase, {control}, was filled too (entry {numbers})."


def _of_holes(finding: Finding) -> list[str]:
    unit = LIMIT_UNIT_WORDS[finding.limit.quantity]
    own = finding.limit.above is Above.OWN_BASELINE
    found = []
    for hole in finding.holes:
        says = (
            f"{hole.probe} was moved or renewed {time_words(hole.at_ms)} (entry {hole.number}): "
            "what was read before and after are two series"
        )
        if not own:
            found.append(f"{says}.")
        elif finding.baseline_until_ms is not None and hole.at_ms < finding.baseline_until_ms:
            found.append(f"{says}, and its baseline counts from then on.")
        elif hole.offset is None:
            found.append(
                f"{says}; {offset_words(hole, unit)}, and its own baseline does not reach across."
            )
        else:
            found.append(
                f"{says}; {offset_words(hole, unit)}, by which its baseline is carried on."
            )
    return found


def finding_document(finding: Finding) -> dict[str, object]:
    """A finding for programs: times in RFC 3339 UTC, lengths in h, values in the limit's unit."""
    verdict, limit = finding.verdict, finding.limit
    return {
        "phase": finding.phase.title,
        "phase_entry": finding.phase.number,
        "from": rfc3339(finding.from_ms),
        "to": rfc3339(finding.until_ms),
        "limit": limit.name,
        "asks": finding.asks,
        "bound": bound_words(limit),
        "unit": LIMIT_UNIT_WORDS[limit.quantity],
        "probes": list(finding.probes),
        "verdict": verdict.outcome.value,
        "why": verdict.why,
        "worst": verdict.value,
        "worst_standard_uncertainty": verdict.uncertainty,
        "worst_from": None if finding.worst_ms is None else rfc3339(finding.worst_ms),
        "margin": verdict.margin,
        "beyond_h": verdict.beyond,
        "perhaps_h": verdict.perhaps,
        "within_h": verdict.within,
        "unknown_h": verdict.unknown,
        "covered": verdict.covered,
        "set_aside_h": finding.aside,
        "verdict_with_set_aside": finding.with_aside.outcome.value,
        "settling_h": finding.settling,
        "verdict_with_settling": finding.with_settling.outcome.value,
        "wet_trades": [trade_document(trade) for trade in finding.trades],
        "new_holes": [hole_document(hole) for hole in finding.holes],
        "gates_not_met": list(finding.phase.unmet),
        "declared_by_version": finding.version,
        "declared": rfc3339(finding.declared_ms),
        "declared_late": finding.late,
        "changed_in_versions": list(finding.changed),
        "remarks": remarks(finding),
    }
