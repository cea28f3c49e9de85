"""What an entry of the logbook is and holds, in plain words, beside what somebody wrote."""

from collections.abc import Collection
from dataclasses import replace
from urllib.parse import quote, urlencode

from markupsafe import Markup, escape

from longsoak.core.contentwords import content_words
from longsoak.core.handflags import hand_flags
from longsoak.core.observations import observation_in, seen_words
from longsoak.core.water.entries import begins_ms, ends_ms, top_up_said
from longsoak.vocabulary.logbook import (
    FLAG,
    KIND_WORDS,
    NOTE,
    OBSERVATION,
    SERVICE,
    TOP_UP,
    About,
    LogbookEntry,
    Subject,
)
from longsoak_dashboards.view.sentences import ZONE, capital, when


def kind_words(entry: LogbookEntry) -> str:
    """What an entry is; empty for a note, which is words alone."""
    return "" if entry.kind == NOTE else KIND_WORDS.get(entry.kind, entry.kind)


def details(entry: LogbookEntry, *, now_ms: int) -> tuple[Markup, ...]:
    """What an entry holds that its words need not say, a line each."""
    if entry.kind == FLAG:
        flag = next(iter(hand_flags([replace(entry, corrected_by=())])), None)
        if flag is None:
            return ()
        end = flag.until_ms
        until = "it is ended" if end is None else when(end, now_ms=now_ms) + " " + ZONE
        return (Markup("Readings {} until {}.").format(flag.flag.word, until),)
    if entry.kind == SERVICE:
        times = (when(at, now_ms=now_ms) for at in (begins_ms(entry), ends_ms(entry)))
        return (Markup("From {} until {} {}.").format(*times, ZONE),)
    if words := content_words(entry):
        return (escape(words),)
    if entry.kind == OBSERVATION:
        seen = observation_in(entry)
        address = f"/logbook/seen?{urlencode({'of': seen.of, 'bay': seen.at.bay})}"
        return (
            escape(f"{capital(seen_words(seen))}."),
            Markup('<a href="{}">This place over time</a>').format(address),
        )
    if entry.kind == TOP_UP:  # its sentence may have been made without them
        parts = top_up_said(entry.content)
        if not all(part in entry.says for part in parts):
            return (escape(f"{capital(', '.join(parts))}."),)
    return ()


def subject_link(subject: Subject, names: Collection[str]) -> str:
    """The sheet of the probe it is about; empty for anything else, and where there is none."""
    if subject.about is not About.PROBE or subject.name not in names:
        return ""
    return f"/probe/{quote(subject.name, safe='')}"
