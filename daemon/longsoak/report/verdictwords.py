"""Findings in words and as a document. Pure."""

from longsoak.core.limitwords import bound_words
from longsoak.core.wording import rfc3339, time_words, with_noun
from longsoak.report.verdicts import Finding
from longsoak.vocabulary.rig import LIMIT_UNIT_WORDS, LimitQuantity


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
    side = "to spare" if verdict.margin >= 0 else "too far"
    return (
        f"At its worst it was {verdict.value:.1f} ± {doubled:.1f}{unit}, in the {limit.window:g} h "
        f"from {time_words(finding.worst_ms)}: {abs(verdict.margin):.1f} {side}."
    )


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
    if finding.limit.quantity is LimitQuantity.MOULD_INDEX:
        found.append(
            "The index is a risk figure of a model, from 0 at the first reading of each seat; what "
            "the model itself is off by is in no uncertainty here. While nothing good was read it "
            "may have grown or fallen, and no verdict leans on its having stayed as it was."
        )
    if finding.phase.until_ms is None:
        found.append("The phase goes on: this is as far as it has come.")
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
        "declared_by_version": finding.version,
        "declared": rfc3339(finding.declared_ms),
        "declared_late": finding.late,
        "changed_in_versions": list(finding.changed),
        "remarks": remarks(finding),
    }
