"""An entry of the logbook in words, the same on the page and in the terminal. Pure."""

from dataclasses import replace

from longsoak.core.wording import rfc3339, time_words
from longsoak.vocabulary.logbook import About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json

_SOON_MS = 60_000  # nobody needs to be told that an entry was kept within the minute


def subject_words(subject: Subject) -> str:
    """What it is about: "the rig", "bay plain lime", "plain lime 30/60"."""
    if subject.about is About.RIG:
        return "the rig"
    return f"bay {subject.name}" if subject.about is About.BAY else subject.name


def speaks_of_ms(entry: LogbookEntry) -> int:
    """The time an entry speaks of, UTC ms: that of its clock set right, but one somebody gave."""
    given = entry.at_utc_ms != entry.asked_utc_ms
    return entry.at_utc_ms if given else entry.at_utc_ms + entry.clock_off_ms


def later_words(entry: LogbookEntry) -> str:
    """When it was written and kept, as far as that is another time than the one it speaks of."""
    if off := entry.clock_off_ms:
        right = replace(
            entry,
            at_utc_ms=speaks_of_ms(entry),
            asked_utc_ms=entry.asked_utc_ms + off,
            kept_utc_ms=entry.kept_utc_ms + off,
            synchronised=True,
            clock_off_ms=0,
        )
        own = f"{time_words(entry.asked_utc_ms)} by a clock that was not synchronised"
        return ", ".join(words for words in (later_words(right), own) if words)
    said = []
    if abs(entry.asked_utc_ms - entry.at_utc_ms) >= _SOON_MS:
        said.append(f"written {time_words(entry.asked_utc_ms)}")
    if abs(entry.kept_utc_ms - entry.asked_utc_ms) >= _SOON_MS:
        said.append(f"kept {time_words(entry.kept_utc_ms)}")
    if not entry.synchronised:
        said.append("clock not synchronised")
    return ", ".join(said)


def entry_document(entry: LogbookEntry) -> dict[str, Json]:
    """An entry for programs: times in RFC 3339 UTC, photos by their SHA-256.

    It was written and kept by the clocks there were; it speaks of a time by a clock set right.
    """
    return {
        "number": entry.number,
        "at": rfc3339(speaks_of_ms(entry)),
        "written": rfc3339(entry.asked_utc_ms),
        "kept": rfc3339(entry.kept_utc_ms),
        "synchronised": entry.synchronised,
        "kind": entry.kind,
        "about": entry.subject.about.value,
        "subject": entry.subject.name,
        "by": entry.by,
        "says": entry.says,
        "corrects": entry.corrects,
        "corrected_by": list(entry.corrected_by),
        "photos": list(entry.photos),
        "rig_version": entry.rig_version,
        "schema": entry.schema,
        "content": entry.content,
    }
