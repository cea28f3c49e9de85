"""How each probe of a rig has done so far, for pages and commands alike. Pure."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from longsoak.core.proof.book import Book
from longsoak.core.wording import day_words
from longsoak.vocabulary.health import Finding, Goodness
from longsoak.vocabulary.rig import JUDGED, Probe

_WEEK = 7


class Hours(NamedTuple):
    """Good hours of so many."""

    good: float
    of: float

    def __str__(self) -> str:
        return f"{self.good:,.0f} of {self.of:,.0f} h"


class ProbeHealth(NamedTuple):
    """One probe: its good hours, what was found and is not over, and how it was proven last.

    Hours are None until a first day was closed. They are counted from good readings, so that hours
    in which nothing was measured are no good ones.
    """

    probe: Probe
    day: Hours | None
    week: Hours | None
    whole: Hours | None
    found: tuple[Finding, ...]
    proven: str

    @property
    def judged(self) -> bool:
        """Whether its kind is judged by its own past and its neighbours."""
        return self.probe.kind in JUDGED


def health_of(
    probes: Sequence[Probe],
    goodness: Mapping[str, Goodness],
    standing: Sequence[Finding],
    book: Book,
) -> list[ProbeHealth]:
    """Put together what is known of each probe, in the rig file's order.

    Parameters
    ----------
    probes : sequence of Probe
        The rig's.
    goodness : mapping
        By probe, how many of its readings were good.
    standing : sequence of Finding
        The faults that are not over.
    book : Book
        The rig's proofs.
    """
    return [
        ProbeHealth(
            probe,
            *_hours(probe, goodness.get(probe.name)),
            tuple(finding for finding in standing if finding.probe == probe.name),
            _proven(probe, book),
        )
        for probe in probes
    ]


def _hours(probe: Probe, good: Goodness | None) -> tuple[Hours | None, Hours | None, Hours | None]:
    if good is None:
        return None, None, None
    spans = (good.day, 1), (good.week, min(_WEEK, good.days)), (good.whole, good.days)
    # A probe that is kept only when it changes has fewer readings than hours may need.
    day, week, whole = (
        Hours(min(24.0 * days, readings * probe.record / 3600), 24.0 * days)
        for readings, days in spans
    )
    return day, week, whole


def _proven(probe: Probe, book: Book) -> str:
    for proof in reversed(book.proofs):
        verdict = next((v for v in book.verdicts(proof) if v.probe == probe.name), None)
        if verdict is not None and proof.of(probe.name):
            last = max(entry.utc_ms for entry in proof.of(probe.name))
            return f"{verdict.verdict.value}, {day_words(last)}"
    return "never proven"
