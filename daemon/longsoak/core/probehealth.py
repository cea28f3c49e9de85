"""How each probe of a rig has done so far, for pages and commands alike. Pure."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from longsoak.core.handflags import flag_at, flags_of, settled_by
from longsoak.core.proof.book import Book
from longsoak.core.wording import day_words, flag_words, with_noun
from longsoak.vocabulary.flags import Reason
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.health import WEEK, Finding, Goodness
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import JUDGED, Probe

_NO_DAY = "no day yet"
_NOT_READ = "not read yet"


class Hours(NamedTuple):
    """Good hours of so many."""

    good: float
    of: float

    def __str__(self) -> str:
        return f"{self.good:,.0f} of {self.of:,.0f} h"


class ProbeHealth(NamedTuple):
    """One probe: its good hours, what was found and is not over, and how it was proven last.

    `begun` tells whether any reading of the rig was judged: until then nothing can be found. Hours
    are None until a first day was closed. They are counted from good readings, so that hours in
    which nothing was measured are no good ones. `flag` is its latest
    reading's, with the reason. `by_hand` are the flags that lie over its
    readings, `counts` the one of them that lies over the latest, `set_aside` what was found and one
    of them says is no fault.
    """

    probe: Probe
    day: Hours | None
    week: Hours | None
    whole: Hours | None
    found: tuple[Finding, ...]
    proven: str
    begun: bool
    flag: str = _NOT_READ
    by_hand: tuple[HandFlag, ...] = ()
    set_aside: tuple[tuple[Finding, HandFlag], ...] = ()
    counts: HandFlag | None = None

    @property
    def judged(self) -> bool:
        """Whether its kind is judged by its own past and its neighbours."""
        return self.probe.kind in JUDGED

    @property
    def touched(self) -> bool:
        """Whether a contact with the water has its readings set aside now."""
        return self.counts is not None and self.counts.reason is Reason.SET_ASIDE

    @property
    def hours_words(self) -> tuple[str, ...]:
        """Good hours of the last day, the last week and the whole test."""
        return tuple(
            _NO_DAY if hours is None else str(hours) for hours in (self.day, self.week, self.whole)
        )

    @property
    def health_words(self) -> str:
        """What was found and is not over; else whether anything was looked for."""
        found = ", ".join(finding.fault.value for finding in self.found)
        if self.counts is not None:
            by = "by hand" if self.counts.reason is Reason.BY_HAND else self.counts.reason.words
            flagged = f"{self.counts.flag.word}, {by}"
            found = f"{flagged}; {found}" if found else flagged
        looked = "nothing found" if self.begun else "not judged yet"
        return found or (looked if self.judged else "not judged")


def health_of(
    probes: Sequence[Probe],
    goodness: Mapping[str, Goodness],
    standing: Sequence[Finding],
    book: Book,
    *,
    begun: bool,
    flags: Sequence[HandFlag] = (),
    latest: Mapping[str, Reading] | None = None,
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
    begun : bool
        Whether any reading was judged so far.
    flags : sequence of HandFlag
        Those set by hand that count, the newest first.
    latest : mapping, optional
        The latest reading of each probe that was read, as the flags have it.
    """
    proven = _proven(book)
    found = []
    for probe in probes:
        own, reading = flags_of(flags, probe), (latest or {}).get(probe.name)
        settled = [(f, settled_by(f, own)) for f in standing if f.probe == probe.name]
        found.append(
            ProbeHealth(
                probe,
                *hours_of(probe, goodness.get(probe.name)),
                tuple(finding for finding, by in settled if by is None),
                proven.get(probe.name, "never proven"),
                begun,
                _flag(reading),
                tuple(own),
                tuple((finding, by) for finding, by in settled if by is not None),
                _lies_over(own, reading),
            )
        )
    return found


def _lies_over(flags: Sequence[HandFlag], reading: Reading | None) -> HandFlag | None:
    """The flag that counts for the latest reading; for one to come where none was read yet.

    Not the newest of all: one that has ended hides none that goes on.
    """
    if reading is None:
        return next((flag for flag in flags if flag.until_ms is None), None)
    return flag_at(flags, reading.utc_ms)


def aside_words(count: int) -> str:
    """How many probes a contact has set aside, as a sentence; empty for none."""
    if not count:
        return ""
    are = with_noun(count, "probe is", "probes are")
    return f"{are} set aside after a contact with the water, until back on their trend."


def _flag(reading: Reading | None) -> str:
    return _NOT_READ if reading is None else flag_words(reading.flag, reading.reason)


def hours_of(
    probe: Probe, good: Goodness | None
) -> tuple[Hours | None, Hours | None, Hours | None]:
    """Good hours of the last day, the last week and the whole test; None before a day closed."""
    if good is None:
        return None, None, None
    spans = (good.day, 1), (good.week, min(WEEK, good.days)), (good.whole, good.days)
    # A probe that is kept only when it changes has fewer readings than hours may need.
    day, week, whole = (
        Hours(min(24.0 * days, readings * probe.record / 3600), 24.0 * days)
        for readings, days in spans
    )
    return day, week, whole


def _proven(book: Book) -> dict[str, str]:
    """How each probe was proven last, and when; those that ever were."""
    words: dict[str, str] = {}
    for proof in reversed(book.proofs):
        for verdict in book.verdicts(proof):
            if verdict.probe not in words and (taken := proof.of(verdict.probe)):
                last = max(entry.utc_ms for entry in taken)
                words[verdict.probe] = f"{verdict.verdict.value}, {day_words(last)}"
    return words
