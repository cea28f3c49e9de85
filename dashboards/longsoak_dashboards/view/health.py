"""The health sheet: which readings can be believed, and what was found against the others."""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak.core.probehealth import Hours, ProbeHealth
from longsoak.core.wording import ago_words
from longsoak.vocabulary.health import Finding
from longsoak.vocabulary.rig import Probe
from longsoak_dashboards.source import Snapshot
from longsoak_dashboards.view import standing
from longsoak_dashboards.view.sentences import counted, moment

_MOST = 100  # findings listed; all of them are in the record
_NONE_YET = "no day yet"


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
class HealthRow:
    """One probe's line of the table."""

    probe: Probe
    day: str
    week: str
    whole: str
    health: str
    wants_a_look: bool
    proven: str


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
    rows: tuple[HealthRow, ...]
    log: tuple[FoundLine, ...]
    log_cut: bool


def health_page(
    snapshot: Snapshot, probes: Sequence[ProbeHealth], findings: Sequence[Finding]
) -> HealthPage:
    """Work out the sheet; `findings` are all there ever were, oldest first."""
    now_ms = snapshot.now_ms
    doubts = tuple(_doubt(each.probe, f, now_ms=now_ms) for each in probes for f in each.found)
    judged = sum(each.judged for each in probes)
    bad = sum(bool(each.found) for each in probes)
    recording = standing.recording_sentence(snapshot.rig, last_ms=snapshot.last_ms, now_ms=now_ms)
    lead = Markup("Of {} that {} judged, {}.").format(
        counted(judged, "probe", "probes"),
        "is" if judged == 1 else "are",
        "none is in doubt" if not bad else f"{bad} {'is' if bad == 1 else 'are'} in doubt",
    )
    return HealthPage(
        lead=tuple(sentence for sentence in (recording, lead) if sentence),
        doubts=doubts,
        rows=tuple(map(_row, probes)),
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


def _row(each: ProbeHealth) -> HealthRow:
    health = ", ".join(finding.fault.value for finding in each.found)
    return HealthRow(
        probe=each.probe,
        day=_words(each.day),
        week=_words(each.week),
        whole=_words(each.whole),
        health=health or ("nothing found" if each.judged else "not judged"),
        wants_a_look=bool(health),
        proven=each.proven,
    )


def _words(hours: Hours | None) -> str:
    return _NONE_YET if hours is None else str(hours)
