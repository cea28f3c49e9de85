"""What the logbook says of the time that is drawn: numbered marks on the axis, and in words."""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak.core.logbookwords import speaks_of_ms, subject_words
from longsoak.vocabulary.logbook import NOTE, THE_RIG, LogbookEntry
from longsoak_dashboards.view.sentences import counted, when
from longsoak_dashboards.view.span import Span

MOST = 200  # entries of one time: more could be neither told apart nor read
_APART = 0.12  # of the width, between two marks
_LONGEST = 160  # characters of an entry; all of it is in the logbook


@dataclass(frozen=True, slots=True)
class Note:
    """An entry: when it speaks of (UTC ms), what kind it is of and about, and where it is read."""

    number: int
    at_ms: int
    when: Markup
    of: str
    by: str
    says: str
    address: str


def notes_of(entries: Sequence[LogbookEntry], *, span: Span, now_ms: int) -> tuple[Note, ...]:
    """Entries that speak of a time, the oldest first; of many the newest.

    `entries` are newest first. Those that were corrected are told by their correction.
    """
    found = [
        _note(entry, now_ms=now_ms)
        for entry in entries
        if span.since_ms <= speaks_of_ms(entry) <= span.until_ms and not entry.corrected_by
    ]
    return tuple(sorted(found[:MOST], key=lambda note: (note.at_ms, note.number)))


def marks_on(notes: Sequence[Note], span: Span) -> list[tuple[int, str]]:
    """Where marks stand, and their numbers: those that would touch share one, "3 to 5"."""
    groups: list[list[Note]] = []
    for note in notes:
        near = _APART * span.length_ms
        if groups and note.at_ms - groups[-1][0].at_ms < near:
            groups[-1].append(note)
        else:
            groups.append([note])
    return [(group[0].at_ms, numbers_of([note.number for note in group])) for group in groups]


def numbers_of(numbers: Sequence[int]) -> str:
    """The numbers of some entries in short: "3", "3, 4", "3 to 9"."""
    low, high = min(numbers), max(numbers)
    if low == high:
        return str(low)
    return f"{low}, {high}" if high - low == 1 else f"{low} to {high}"


def as_document(note: Note) -> dict[str, object]:
    """A note for the drawing in a browser."""
    return {
        "number": note.number,
        "at": note.at_ms,
        "words": ", ".join(filter(None, (note.of, note.says))),
        "address": note.address,
    }


def _note(entry: LogbookEntry, *, now_ms: int) -> Note:
    at = speaks_of_ms(entry)
    many = len(entry.photos)
    said = (
        "" if entry.kind == NOTE else entry.kind,
        "" if entry.subject == THE_RIG else subject_words(entry.subject),
        counted(many, "photo", "photos") if many else "",
    )
    says = " ".join(entry.says.split())
    return Note(
        number=entry.number,
        at_ms=at,
        when=when(at, now_ms=now_ms),
        of=", ".join(filter(None, said)),
        by=entry.by,
        says=says if len(says) <= _LONGEST else f"{says[: _LONGEST - 1]}\u2026",
        address=f"/logbook?upto={entry.number}#entry-{entry.number}",
    )
