"""The logbook's sheet: what people wrote, newest first, and the forms to write in."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak.core.closing import Answered
from longsoak.core.handflags import BY_HAND
from longsoak.core.logbook import MOST_PHOTOS, subjects
from longsoak.core.logbookwords import later_words, speaks_of_ms, subject_words
from longsoak.core.mould import GROWTH_CAUTION
from longsoak.core.newholes import sits_in_one
from longsoak.core.phases import WORDS, Phase
from longsoak.core.proof.safety import DECIDES, SAFETY
from longsoak.core.samples import CAUTION as CUTTING
from longsoak.core.samples import OVEN, Sample, oven_words
from longsoak.core.water.entries import ends_ms
from longsoak.core.weighings import CAUTION as LIFTING
from longsoak.core.weighings import Weighing, no_window_words
from longsoak.core.wettrades import CAUTION
from longsoak.core.wording import age_words, time_words
from longsoak.vocabulary.gate import Gate, GateName
from longsoak.vocabulary.logbook import (
    HAND,
    KIND_WORDS,
    OBSERVATION,
    PHASE,
    SAMPLE,
    WEIGHING,
    LogbookEntry,
)
from longsoak.vocabulary.observation import Looked
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.view.alarms import Told
from longsoak_dashboards.view.entrywords import details, kind_words, subject_link
from longsoak_dashboards.view.logfilter import Filter
from longsoak_dashboards.view.photos import Files, Picture, picture, pictures
from longsoak_dashboards.view.sampleentries import OWN_FIELDS as OF_SAMPLES
from longsoak_dashboards.view.sampleentries import sample_choices
from longsoak_dashboards.view.seenentries import WHERE, SightChoices, sight_choices
from longsoak_dashboards.view.sentences import capital, counted, span_words, when
from longsoak_dashboards.view.specimenentries import OWN_FIELDS
from longsoak_dashboards.view.standing import unset_sentence
from longsoak_dashboards.view.weighingentries import OWN_FIELDS as OF_WEIGHINGS
from longsoak_dashboards.view.weighingentries import setting_words

NEWEST = 50  # entries on one sheet
SOON_MS = 10_000  # an answer comes within a second; after this the sheet waits no longer
_SAID = (
    *("text", "by", "about", "at", "flag", "until"),
    *("what", "phase", "name", "control", "lasts", "of", "although", "safe"),
    *("bay", "face", "depth", "low", "high", "seen", "extent", "looked"),
    *(*OWN_FIELDS, *OF_WEIGHINGS, *OF_SAMPLES),
)
# Which part of its sheet an entry of a kind is corrected in.
_PARTS = {HAND: "", PHASE: "#phase", OBSERVATION: "#see", WEIGHING: "#weighed", SAMPLE: "#cut"}
OPENS = 'under "Work at the rig"'  # a service window


@dataclass(frozen=True, slots=True)
class Row:
    """One entry. `link` leads to the sheet of the probe it is about, `correct` to a form."""

    number: int
    when: Markup
    later: str
    by: str
    about: str
    link: str
    kind: str
    details: tuple[Markup, ...]
    says: str
    corrects: int | None
    corrected_by: tuple[int, ...]
    pictures: tuple[Picture, ...]
    correct: str


@dataclass(frozen=True, slots=True)
class Choice:
    """Something to choose, as a form offers it."""

    value: str
    words: str


@dataclass(frozen=True, slots=True)
class PhaseRow:
    """A phase in the list of them."""

    number: int
    title: str
    since: Markup
    until: Markup | str
    lasted: str
    by: str
    says: str


@dataclass(frozen=True, slots=True)
class GateRow:
    """A gate before a wetting, and whether it is met."""

    name: str
    state: str
    says: str
    met: bool


@dataclass(frozen=True, slots=True)
class ClosingRow:
    """An item of the list for the end of a test, and how it was answered."""

    key: str
    name: str
    state: str
    says: str


@dataclass(frozen=True, slots=True)
class LogbookForm:
    """The forms, with what was said already; `kept` are photos that came with it before.

    `window` tells of the service window that is open, `phase` of the phase there is; both are
    empty where there is none. `gates` are there where a wetting is about to begin, and `safety` the
    list that has to be gone through, which ends with who decides. `holes` are the probes that sit
    in one, `closing` is the list for the end of the test, and `pouring`, `lifting` and `cutting`
    are cautions. `unlike` says what would make a weighing unlike those before: without a window, or
    weighed otherwise. `pieces` are the samples that can be completed.
    """

    choices: tuple[Choice, ...]
    flags: tuple[str, ...]
    phases: tuple[str, ...]
    bays: tuple[str, ...]
    said: Mapping[str, str]
    corrects: str
    kept: tuple[Picture, ...]
    once: str
    now: Markup
    window: str
    phase: str
    sights: tuple[SightChoices, ...]
    gates: tuple[GateRow, ...] = ()
    safety: tuple[str, ...] = ()
    holes: tuple[str, ...] = ()
    closing: tuple[ClosingRow, ...] = ()
    pouring: str = CAUTION
    lifting: str = LIFTING
    cutting: str = CUTTING
    unlike: tuple[str, ...] = ()
    pieces: tuple[tuple[str, str], ...] = ()
    materials: tuple[tuple[str, str], ...] = (("", "choose"), *((name, name) for name in OVEN))
    ovens: str = oven_words()
    where: tuple[tuple[str, str], ...] = WHERE
    looks: tuple[str, ...] = tuple(map(str, Looked))
    caution: str = GROWTH_CAUTION
    most_photos: int = MOST_PHOTOS


@dataclass(frozen=True, slots=True)
class LogbookPage:
    """What the sheet shows; `older` and `newest` lead to other entries, or are empty."""

    lead: Markup
    rows: tuple[Row, ...]
    older: str
    newest: str
    form: LogbookForm | None
    chosen: Filter
    kinds: tuple[Choice, ...]
    subjects: tuple[Choice, ...]
    phases: tuple[PhaseRow, ...]


def logbook_page(
    entries: Sequence[LogbookEntry],
    rig: Rig,
    form: LogbookForm | None,
    chosen: Filter,
    known: Sequence[Phase],
    *,
    last: int,
    now_ms: int,
    first_ms: int | None,
    files: Files,
) -> LogbookPage:
    """Work out the sheet.

    Parameters
    ----------
    entries : sequence of LogbookEntry
        Newest first: those that are looked at, up to `NEWEST` and one more if there are older.
    rig : Rig
        The rig now; an entry may be about a probe it has no more.
    form : LogbookForm, optional
        None while an answer is waited for.
    chosen : Filter
        What is looked at.
    known : sequence of Phase
        The phases that count, oldest first.
    last : int
        The newest entry's number.
    now_ms : int
        UTC now, ms.
    first_ms : int, optional
        The first reading, UTC ms.
    files : Files
        What lies beside the record.
    """
    names = {probe.name for probe in rig.probes}
    lead = (
        unset_sentence(first_ms=first_ms, now_ms=now_ms),
        f"{capital(counted(last, 'entry', 'entries')) if last else 'No entry yet'}. "
        "What is written stays: a mistake is set right by another entry.",
    )
    shown = entries[:NEWEST]
    return LogbookPage(
        lead=Markup(" ").join(sentence for sentence in lead if sentence),
        rows=tuple(_row(entry, names, now_ms=now_ms, files=files) for entry in shown),
        older=chosen.address(upto=entries[NEWEST].number) if len(entries) > NEWEST else "",
        newest="" if not chosen.is_on and (not shown or shown[0].number == last) else "/logbook",
        form=form,
        chosen=chosen,
        kinds=tuple(Choice(kind, capital(words)) for kind, words in KIND_WORDS.items()),
        subjects=_subjects(rig),
        phases=tuple(_phase_row(phase, now_ms=now_ms) for phase in reversed(known)),
    )


def form_of(
    rig: Rig,
    said: Mapping[str, str],
    kept: Sequence[str],
    *,
    once: str,
    now_ms: int,
    files: Files,
    window: LogbookEntry | None,
    phase: Phase | None,
    gates: Sequence[Gate],
    closing: Sequence[Answered],
    pieces: Sequence[Sample],
    weighed: Sequence[Weighing],
) -> LogbookForm:
    """Work out the forms, `kept` being digests of photos that came before."""
    return LogbookForm(
        choices=_subjects(rig),
        flags=tuple(flag.word for flag in BY_HAND),
        phases=WORDS,
        bays=tuple(bay.name for bay in rig.specimen.bays),
        said={name: said.get(name, "") for name in _SAID},
        corrects=said.get("corrects", ""),
        kept=tuple(picture(digest, files) for digest in kept),
        once=once,
        now=when(now_ms, now_ms=now_ms),
        window="" if window is None else f"{window.says}, until {time_words(ends_ms(window))}",
        phase="" if phase is None else phase.title,
        gates=tuple(_gate_row(gate) for gate in gates),
        safety=_safety(gates),
        holes=tuple(probe.name for probe in rig.probes if sits_in_one(probe)),
        closing=tuple(_closing_row(each) for each in closing),
        unlike=(
            *([no_window_words(OPENS)] if window is None else []),
            *(setting_words(each) for each in weighed[-1:]),
        ),
        pieces=sample_choices(pieces),
        sights=sight_choices(rig, only=said.get("only", "")),
    )


def _closing_row(answered: Answered) -> ClosingRow:
    item, answer = answered.item, answered.answer
    if answer is None:
        return ClosingRow(item.key, capital(item.key), "open", f"{item.asks} {item.why}")
    state = "done" if answer.done else "not done"
    return ClosingRow(item.key, capital(item.key), state, f"{answer.says} ({answer.name})")


def _gate_row(gate: Gate) -> GateRow:
    says = f"{gate.says} {gate.remedy}".strip()
    return GateRow(capital(gate.name), gate.state, says, gate.met)


def _safety(gates: Sequence[Gate]) -> tuple[str, ...]:
    """The safety list where it is not ticked."""
    if all(gate.met for gate in gates if gate.name is GateName.SAFETY):
        return ()
    return (*(f"{item.title}." for item in SAFETY), DECIDES)


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


def _row(entry: LogbookEntry, names: set[str], *, now_ms: int, files: Files) -> Row:
    number = entry.number
    form = "/hand" if entry.kind == HAND else "/logbook"
    part = _PARTS.get(entry.kind, "#write")
    return Row(
        number=number,
        when=when(speaks_of_ms(entry), now_ms=now_ms),
        later=later_words(entry),
        by=entry.by,
        about=subject_words(entry.subject),
        link=subject_link(entry.subject, names),
        kind=kind_words(entry),
        details=details(entry, now_ms=now_ms),
        says=entry.says,
        corrects=entry.corrects,
        corrected_by=entry.corrected_by,
        pictures=pictures(entry, files),
        correct=f"{form}?corrects={number}{part}",
    )


def _phase_row(phase: Phase, *, now_ms: int) -> PhaseRow:
    end = now_ms if phase.until_ms is None else phase.until_ms
    return PhaseRow(
        phase.number,
        capital(phase.title),
        when(phase.from_ms, now_ms=now_ms),
        "it goes on" if phase.until_ms is None else when(phase.until_ms, now_ms=now_ms),
        span_words(max(0, end - phase.from_ms) / 1000),
        phase.by,
        phase.says,
    )


def _subjects(rig: Rig) -> tuple[Choice, ...]:
    return tuple(Choice(str(each), capital(subject_words(each))) for each in subjects(rig))
