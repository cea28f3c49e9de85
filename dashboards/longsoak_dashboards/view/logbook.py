"""The logbook's sheet: what people wrote, newest first, and the form to write in."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from urllib.parse import quote

from markupsafe import Markup

from longsoak.core.handflags import BY_HAND, hand_flags
from longsoak.core.logbook import MOST_PHOTOS, subjects
from longsoak.core.logbookwords import later_words, speaks_of_ms, subject_words
from longsoak.core.wording import age_words
from longsoak.vocabulary.logbook import NOTE, About, LogbookEntry
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.view.alarms import Told
from longsoak_dashboards.view.sentences import capital, counted, moment
from longsoak_dashboards.view.standing import unset_sentence

NEWEST = 50  # entries on one sheet
SOON_MS = 10_000  # an answer comes within a second; after this the sheet waits no longer

_NOT_SHOWN = ".heic"  # by most browsers


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo of an entry; `address` is empty where its file is gone."""

    digest: str
    address: str
    shown: bool


@dataclass(frozen=True, slots=True)
class Row:
    """One entry. `link` leads to the sheet of the probe it is about."""

    number: int
    when: str
    later: str
    by: str
    about: str
    link: str
    kind: str
    says: str
    corrects: int | None
    corrected_by: tuple[int, ...]
    pictures: tuple[Picture, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """Something an entry can be about, as the form offers it."""

    value: str
    words: str


@dataclass(frozen=True, slots=True)
class LogbookForm:
    """The form, with what was said already; `kept` are photos that came with it before."""

    choices: tuple[Choice, ...]
    flags: tuple[str, ...]
    said: Mapping[str, str]
    corrects: str
    kept: tuple[Picture, ...]
    once: str
    now: str
    most_photos: int = MOST_PHOTOS


@dataclass(frozen=True, slots=True)
class LogbookPage:
    """What the sheet shows; `older` is the number of the newest entry that is not on it, or 0."""

    lead: Markup
    rows: tuple[Row, ...]
    older: int
    newest: bool
    form: LogbookForm | None


def logbook_page(
    entries: Sequence[LogbookEntry],
    rig: Rig,
    form: LogbookForm | None,
    *,
    last: int,
    now_ms: int,
    first_ms: int | None,
    name_of: Callable[[str], str | None],
) -> LogbookPage:
    """Work out the sheet.

    Parameters
    ----------
    entries : sequence of LogbookEntry
        Newest first, as many as go on one sheet.
    rig : Rig
        The rig now; an entry may be about a probe it has no more.
    form : LogbookForm, optional
        None while an answer is waited for.
    last : int
        The newest entry's number.
    now_ms : int
        UTC now, ms.
    first_ms : int, optional
        The first reading, UTC ms.
    name_of : callable
        The file name of a photo by its digest, or None.
    """
    names = {probe.name for probe in rig.probes}
    lead = (
        unset_sentence(first_ms=first_ms, now_ms=now_ms),
        f"{capital(counted(last, 'entry', 'entries')) if last else 'No entry yet'}. "
        "What is written stays: a mistake is set right by another entry.",
    )
    return LogbookPage(
        lead=Markup(" ").join(sentence for sentence in lead if sentence),
        rows=tuple(_row(entry, names, now_ms=now_ms, name_of=name_of) for entry in entries),
        older=entries[-1].number - 1 if entries else 0,
        newest=not entries or entries[0].number == last,
        form=form,
    )


def form_of(
    rig: Rig,
    said: Mapping[str, str],
    kept: Sequence[str],
    *,
    once: str,
    now_ms: int,
    name_of: Callable[[str], str | None],
) -> LogbookForm:
    """Work out the form, `kept` being digests of photos that came before."""
    return LogbookForm(
        choices=tuple(Choice(str(each), capital(subject_words(each))) for each in subjects(rig)),
        flags=tuple(flag.word for flag in BY_HAND),
        said={name: said.get(name, "") for name in ("text", "by", "about", "at", "flag", "until")},
        corrects=said.get("corrects", ""),
        kept=tuple(_picture(digest, name_of) for digest in kept),
        once=once,
        now=moment(now_ms, now_ms=now_ms),
    )


def told(outcome: str | None, *, asked_ms: int, now_ms: int) -> Told:
    """What to say about an entry that was asked for: kept, refused, or left lying."""
    if outcome is not None:
        refused = outcome.startswith("refused")
        words = f"{capital(outcome)}.".replace("..", ".")
        return Told(words, wants_a_look=refused, waiting=False)
    if now_ms - asked_ms > SOON_MS:
        waited = age_words((now_ms - asked_ms) / 1000)
        return Told(
            f"Asked {waited} ago and not kept yet. Is `longsoak run` running? It keeps the entry "
            "when it is started.",
            wants_a_look=True,
            waiting=False,
        )
    return Told("Asked; it is kept within a second.", wants_a_look=False, waiting=True)


def _row(
    entry: LogbookEntry,
    names: set[str],
    *,
    now_ms: int,
    name_of: Callable[[str], str | None],
) -> Row:
    known = entry.subject.about is About.PROBE and entry.subject.name in names
    return Row(
        number=entry.number,
        when=moment(speaks_of_ms(entry), now_ms=now_ms),
        later=later_words(entry),
        by=entry.by,
        about=subject_words(entry.subject),
        link=f"/probe/{quote(entry.subject.name, safe='')}" if known else "",
        kind=_kind(entry, now_ms=now_ms),
        says=entry.says,
        corrects=entry.corrects,
        corrected_by=entry.corrected_by,
        pictures=tuple(_picture(digest, name_of) for digest in entry.photos),
    )


def _kind(entry: LogbookEntry, *, now_ms: int) -> str:
    if entry.kind == NOTE:
        return ""
    flag = next(iter(hand_flags([replace(entry, corrected_by=())])), None)
    if flag is None:
        return entry.kind
    until = (
        "it is ended" if flag.until_ms is None else f"{moment(flag.until_ms, now_ms=now_ms)} UTC"
    )
    return f"readings {flag.flag.word} until {until}"


def _picture(digest: str, name_of: Callable[[str], str | None]) -> Picture:
    name = name_of(digest)
    if name is None:
        return Picture(digest, "", shown=False)
    return Picture(digest, f"/logbook/photo/{name}", shown=not name.endswith(_NOT_SHOWN))
