"""The health sheet: which readings can be believed, and what was found against the others."""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak.core.probehealth import ProbeHealth
from longsoak.core.wording import ago_words
from longsoak.vocabulary.health import Finding
from longsoak.vocabulary.rig import Probe
from longsoak_dashboards.source import Heading
from longsoak_dashboards.view import standing
from longsoak_dashboards.view.sentences import counted, moment

_MOST = 100  # findings listed; all of them are in the record


@dataclass(frozen=True, slots=True)
class Doubt:
    """One fault that was found and is not over."""

    probe: Probe
    fault: str
    since: str
    ago: str
    says: str
    figures: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class FoundLine:
    """One line of what was found, told again, or over."""

    when: str
    probe: str
    says: str


@dataclass(frozen=True, slots=True)
class HealthPage:
    """The whole sheet."""

    lead: tuple[str | Markup, ...]
    doubts: tuple[Doubt, ...]
    probes: tuple[ProbeHealth, ...]
    log: tuple[FoundLine, ...]
    log_cut: bool


def health_page(
    heading: Heading, probes: Sequence[ProbeHealth], findings: Sequence[Finding]
) -> HealthPage:
    """Work out the sheet; `findings` are all there ever were, oldest first."""
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
    return HealthPage(
        lead=tuple(sentence for sentence in (recording, lead) if sentence),
        doubts=doubts,
        probes=tuple(probes),
        log=tuple(
            FoundLine(moment(f.found_ms, now_ms=now_ms), f.probe, f.says)
            for f in reversed(findings[-_MOST:])
        ),
        log_cut=len(findings) > _MOST,
    )


def _doubt(probe: Probe, finding: Finding, *, now_ms: int) -> Doubt:
    figures = [(words, f"{value:.3g}") for words, value in finding.figures.items()]
    if finding.against:
        figures.append(("judged by", ", ".join(finding.against)))
    figures.append(("found", f"{moment(finding.found_ms, now_ms=now_ms)} UTC"))
    return Doubt(
        probe=probe,
        fault=finding.fault.value,
        since=moment(finding.since_ms, now_ms=now_ms),
        ago=ago_words((now_ms - finding.since_ms) / 1000),
        says=finding.says.removeprefix(f"{probe.name}: "),
        figures=tuple(figures),
    )
