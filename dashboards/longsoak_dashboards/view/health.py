"""The health sheet: which readings can be believed, and what was found against the others."""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak.core.logbookwords import subject_words
from longsoak.core.probehealth import ProbeHealth, aside_words
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.health import Finding
from longsoak.vocabulary.rig import Probe
from longsoak_dashboards.source import Heading
from longsoak_dashboards.view import standing
from longsoak_dashboards.view.sentences import ago, counted, when

_MOST = 100  # findings listed; all of them are in the record


@dataclass(frozen=True, slots=True)
class Doubt:
    """One fault that was found and is not over."""

    probe: Probe
    fault: str
    since: Markup
    ago: Markup
    says: str
    figures: tuple[tuple[str, str | Markup], ...]


@dataclass(frozen=True, slots=True)
class FoundLine:
    """One line of what was found, told again, or over."""

    when: Markup
    probe: str
    says: str


@dataclass(frozen=True, slots=True)
class FlagLine:
    """One flag that somebody set."""

    number: int
    about: str
    flag: str
    since: Markup
    until: str | Markup
    by: str
    says: str


@dataclass(frozen=True, slots=True)
class HealthPage:
    """The whole sheet."""

    lead: tuple[str | Markup, ...]
    doubts: tuple[Doubt, ...]
    probes: tuple[ProbeHealth, ...]
    by_hand: tuple[FlagLine, ...]
    aside: tuple[str, ...]
    log: tuple[FoundLine, ...]
    log_cut: bool


def health_page(
    heading: Heading,
    probes: Sequence[ProbeHealth],
    findings: Sequence[Finding],
    flags: Sequence[HandFlag],
    *,
    file_changed: bool = False,
) -> HealthPage:
    """Work out the sheet.

    `findings` are all there ever were, oldest first; `flags` those set by hand that count.
    `file_changed` is whether the rig file on the disk is another than is measured under.
    """
    now_ms = heading.now_ms
    doubts = tuple(_doubt(each.probe, f, now_ms=now_ms) for each in probes for f in each.found)
    judged = sum(each.judged for each in probes)
    bad = sum(bool(each.found) for each in probes)
    recording = standing.recording_sentence(heading.rig, last_ms=heading.last_ms, now_ms=now_ms)
    lead = Markup("Of {} that {} judged, {}.").format(
        counted(judged, "probe", "probes"),
        "is" if judged == 1 else "are",
        "none is in doubt" if not bad else f"{bad} {'is' if bad == 1 else 'are'} in doubt",
    )
    if not any(each.begun for each in probes):
        lead = Markup(
            "Nothing was judged yet: that begins a minute after the first readings, and a day "
            "after while no clock is synchronised."
        )
    aside = aside_words(sum(each.touched for each in probes))
    return HealthPage(
        lead=tuple(
            sentence
            for sentence in (
                recording,
                lead,
                aside,
                standing.rig_file_sentence(changed=file_changed),
            )
            if sentence
        ),
        doubts=doubts,
        probes=tuple(probes),
        by_hand=tuple(flag_line(flag, now_ms=now_ms) for flag in flags),
        aside=tuple(
            f"{finding.says}: set aside by entry {flag.number}, {flag.by}"
            for each in probes
            for finding, flag in each.set_aside
        ),
        log=found_lines(findings, now_ms=now_ms),
        log_cut=len(findings) > _MOST,
    )


def found_lines(findings: Sequence[Finding], *, now_ms: int) -> tuple[FoundLine, ...]:
    """What was found, the newest first, as far as it is listed."""
    return tuple(
        FoundLine(when(f.found_ms, now_ms=now_ms), f.probe, f.says)
        for f in reversed(findings[-_MOST:])
    )


def flag_line(flag: HandFlag, *, now_ms: int) -> FlagLine:
    """A flag that somebody set, as a row."""
    until = "it is ended" if flag.until_ms is None else when(flag.until_ms, now_ms=now_ms)
    return FlagLine(
        flag.number,
        subject_words(flag.subject),
        flag.flag.word,
        when(flag.from_ms, now_ms=now_ms),
        until,
        flag.by,
        flag.says,
    )


def _doubt(probe: Probe, finding: Finding, *, now_ms: int) -> Doubt:
    figures: list[tuple[str, str | Markup]] = [
        (words, f"{value:.3g}") for words, value in finding.figures.items()
    ]
    if finding.against:
        figures.append(("judged by", ", ".join(finding.against)))
    figures.append(("found", when(finding.found_ms, now_ms=now_ms)))
    return Doubt(
        probe=probe,
        fault=finding.fault.value,
        since=when(finding.since_ms, now_ms=now_ms),
        ago=ago((now_ms - finding.since_ms) / 1000),
        says=finding.says.removeprefix(f"{probe.name}: "),
        figures=tuple(figures),
    )
