"""The sheet of one probe: what it reads, where it sits, how it was proven and put in."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from urllib.parse import quote

from markupsafe import Markup

from longsoak.core.handplaces import HandReading
from longsoak.core.proof.book import WHY_WORDS, Book, Proof
from longsoak.core.wording import where_words
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.health import Finding
from longsoak.vocabulary.proof import Json, ProofEntry
from longsoak.vocabulary.rig import Kind, Probe, Rig
from longsoak.vocabulary.water import Aside, Recovery
from longsoak_dashboards.source import Snapshot
from longsoak_dashboards.view import standing
from longsoak_dashboards.view.alarms import state_words
from longsoak_dashboards.view.health import FlagLine, FoundLine, flag_line, found_lines
from longsoak_dashboards.view.marks import Mark
from longsoak_dashboards.view.plans import PanelPlan
from longsoak_dashboards.view.sentences import day, when
from longsoak_dashboards.view.steps import StepRow, step_rows

_SHOWN = {
    "drilled": "drilled, mm",
    "depth": "depth from it, mm",
    "depth_uncertainty": "its standard uncertainty, mm",
    "declared": "depth in the rig file, mm",
    "pilot": "pilot hole, mm",
    "bare_tip": "bare tip, mm",
    "spacing": "spacing, mm",
    "grain": "grain between the pins",
    "coating": "coating",
    "sealant": "sealant",
    "entry": "drilled from the face",
    "drip_loop": "drip loop",
    "edge": "to the next edge or joint, mm",
    "photo": "photo before closing",
    "photo_sha256": "SHA-256 of the photo",
    "note": "note",
}


@dataclass(frozen=True, slots=True)
class AsideLine:
    """A time that a contact with the water set aside: when, how the probe stands, why."""

    when: Markup
    recovery: str
    says: str
    wants_a_look: bool


@dataclass(frozen=True, slots=True)
class HandLine:
    """A reading by hand near the probe: what the meter showed, how far off, and with what."""

    number: int
    when: Markup
    shown: str
    off: str
    how: str
    by: str


@dataclass(frozen=True, slots=True)
class ProbePage:
    """What the sheet of one probe shows. `declared` and `card` are rows of words and value."""

    mark: Mark
    lead: tuple[Markup, ...]
    age: str | Markup
    declared: tuple[tuple[str, str], ...]
    proof: Markup
    steps: tuple[StepRow, ...]
    card: tuple[tuple[str, str], ...]
    card_by: Markup
    photo: str
    alarms: tuple[tuple[str, str, str], ...]
    proof_link: str
    by_hand: tuple[FlagLine, ...]
    found: tuple[FoundLine, ...]
    asides: tuple[AsideLine, ...]
    hand: tuple[HandLine, ...]


def probe_page(
    snapshot: Snapshot,
    mark: Mark,
    book: Book,
    *,
    flags: Sequence[HandFlag],
    findings: Sequence[Finding],
    asides: Sequence[Aside],
    hand: Sequence[tuple[HandReading, float]],
    has_photo: Callable[[str], bool],
) -> ProbePage:
    """Work out the sheet of one probe.

    `flags` are those set by hand on it, `findings` what was ever found of it, oldest first,
    `asides` what contacts with the water set aside of it, `hand` readings by hand beside it with
    how far off they are, mm;
    `has_photo` says whether a photo of a card can be shown.
    """
    probe, now_ms = mark.probe, snapshot.now_ms
    newest = next((proof for proof in reversed(book.proofs) if proof.of(probe.name)), None)
    card = book.card(probe.name)
    photo = "" if card is None else str(card.content.get("photo", ""))
    news = (
        standing.unset_sentence(first_ms=snapshot.first_ms, now_ms=now_ms),
        standing.recording_sentence(snapshot.rig, last_ms=snapshot.last_ms, now_ms=now_ms),
    )
    quantity = "" if probe.quantity is None else f", {probe.quantity.value}"
    what = Markup("{}{}, {}.").format(
        probe.kind.value.capitalize(), quantity, where_words(probe, snapshot.rig)
    )
    return ProbePage(
        mark=mark,
        lead=tuple(sentence for sentence in (*news, what) if sentence),
        age=mark.counted,
        declared=_declared(probe, snapshot.rig),
        proof=_proof_words(newest),
        steps=() if newest is None else step_rows(book, newest, probe, now_ms=now_ms),
        card=() if card is None else card_rows(card),
        card_by=Markup()
        if card is None
        else Markup('{}, <span class="hand">{}</span>').format(day(card.utc_ms), card.by),
        photo=photo if photo and has_photo(photo) else "",
        alarms=_alarms(snapshot, probe),
        proof_link=f"/proof/at/{quote(probe.name, safe='')}",
        by_hand=tuple(flag_line(flag, now_ms=now_ms) for flag in flags),
        found=found_lines(findings, now_ms=now_ms),
        asides=tuple(_aside_line(aside, now_ms=now_ms) for aside in asides),
        hand=tuple(_hand_line(reading, off, now_ms=now_ms) for reading, off in hand),
    )


def _hand_line(reading: HandReading, off: float, *, now_ms: int) -> HandLine:
    setting = reading.setting
    scale = f" set to {setting.scale}" if setting.scale else ""
    return HandLine(
        reading.number,
        when(reading.at_ms, now_ms=now_ms),
        reading.shown.words.replace(" ", "\N{NO-BREAK SPACE}"),
        f"by hand, {off:.0f} mm away",
        f"{setting.meter}{scale}, round {setting.round}",
        reading.by,
    )


def _aside_line(aside: Aside, *, now_ms: int) -> AsideLine:
    since = when(aside.from_ms, now_ms=now_ms)
    until = (
        "on"
        if aside.until_ms is None
        else Markup("to {}").format(when(aside.until_ms, now_ms=now_ms))
    )
    return AsideLine(
        Markup("from {} {}").format(since, until),
        aside.recovery.value,
        aside.says,
        wants_a_look=aside.recovery is Recovery.STAYS_OFF,
    )


def probe_link(probe: Probe) -> str:
    """The address of a probe's sheet."""
    return f"/probe/{quote(probe.name, safe='')}"


def plan_of(probe: Probe) -> PanelPlan:
    """Its trace, alone."""
    note = "% off its nominal value" if probe.kind is Kind.REFERENCE else probe.unit_words
    return PanelPlan(probe.name, note or "down or up", probe.kind, (probe,))


def card_rows(card: ProofEntry) -> tuple[tuple[str, str], ...]:
    """A card's fields as words and value."""
    return tuple(
        (words, _shown(card.content[name]))
        for name, words in _SHOWN.items()
        if name in card.content
    )


def close_names(name: str, rig: Rig) -> list[str]:
    """Probes that may have been meant by a name that none has."""
    return get_close_matches(name, [probe.name for probe in rig.probes], n=3)


def _declared(probe: Probe, rig: Rig) -> tuple[tuple[str, str], ...]:
    address = ", ".join(f"{key} {value}" for key, value in probe.address.items())
    rows = [
        ("place", where_words(probe, rig)),
        ("bus", f"{probe.bus}, {address}" if address else probe.bus),
        ("read", f"every {probe.every:g} s"),
        ("curve", probe.curve or ""),
        ("temperature from", ", ".join(probe.temperatures)),
        ("nominal", "" if probe.nominal is None else f"{probe.nominal:g} Ω"),
        ("runs from", "" if probe.runs_from is None else f"{probe.runs_from:g} {probe.unit_words}"),
        ("trips at", "" if probe.trips_at is None else f"{probe.trips_at:g} mm"),
    ]
    return tuple((words, value) for words, value in rows if value)


def _proof_words(proof: Proof | None) -> Markup:
    if proof is None:
        return Markup("It has not been proven yet.")
    begun = "" if proof.began is None else Markup(", begun {}").format(day(proof.began.utc_ms))
    state = "" if proof.finished else ", under way"
    return Markup("Proof {}{}{}.").format(WHY_WORDS[proof.why], begun, state)


def _alarms(snapshot: Snapshot, probe: Probe) -> tuple[tuple[str, str, str], ...]:
    """Title, state and sentence of each alarm on this probe that wants to be read."""
    plans = {plan.key: plan for plan in snapshot.rig.alarms if plan.subject == probe.name}
    return tuple(
        (plans[key].title, state_words(change), change.says)
        for key, change in snapshot.alarms.items()
        if key in plans and (change.new is not AlarmState.NORMAL or change.hiding is not None)
    )


def _shown(value: Json) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float | int):
        return f"{value:.4g}"
    if isinstance(value, list | tuple):
        return " and ".join(_shown(part) for part in value)
    return str(value)
