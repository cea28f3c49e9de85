"""The sheets of a proof: how far it is, and one channel's steps with what to do for each."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import quote, urlencode

from markupsafe import Markup

from longsoak.core.proof.book import WHY_WORDS, Book, Proof, Why
from longsoak.core.proof.compare import compare
from longsoak.core.proof.safety import SAFETY
from longsoak.core.proof.water import states_of
from longsoak.core.wording import where_words
from longsoak.proving.figures import numbers_by_name
from longsoak.proving.hands import HANDS, LEADS, SETTLED, TOUCH, TOUCH_TIME
from longsoak.vocabulary.proof import ProofEntry, Step
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Kind, Probe
from longsoak_dashboards.looks import Look
from longsoak_dashboards.view.sentences import capital, counted, day, when
from longsoak_dashboards.view.steps import (
    ChannelRow,
    StepRow,
    channel_rows,
    step_rows,
)

_FLOAT_WORDS = {0: "down", 1: "up"}


@dataclass(frozen=True, slots=True)
class CrossTalk:
    """How much of a touched pair's change came along in each other: a row for each touch.

    Cells are words, in % of the touched pair's change in ln R, and whether they are too much.
    """

    names: tuple[str, ...]
    rows: tuple[tuple[str, tuple[tuple[str, bool], ...]], ...]


@dataclass(frozen=True, slots=True)
class ProofPage:
    """What the sheet of the proof shows.

    `reads` is what of the channels is still to be read without hands, and `touch` what is still
    to be touched; `changed` is what differs from the first proof by more than is allowed. `earlier`
    is each proof before the newest: the address of its certificate, and what it came to.
    """

    lead: tuple[str | Markup, ...]
    under_way: bool
    exists: bool
    progress: str
    trouble: str
    channels: tuple[ChannelRow, ...]
    safety: tuple[int, int]
    reads: int
    to_read: tuple[str, ...]
    touch: int
    to_do: int
    cross_talk: CrossTalk | None
    compared: str
    changed: tuple[tuple[str, str], ...]
    earlier: tuple[tuple[str, Markup], ...]
    whys: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class SafetyRow:
    """One item of the safety list with how it was answered; `answer` is empty before it was."""

    key: str
    title: str
    why: str
    answer: str
    says: Markup


@dataclass(frozen=True, slots=True)
class Raised:
    """A float while it is raised: what was seen, what to do, and whether it is waited for."""

    since_ms: int
    seen: str
    do: str
    waiting: bool


@dataclass(frozen=True, slots=True)
class AtPage:
    """What the sheet of one channel of a proof shows."""

    probe: Probe
    where: str
    steps: tuple[tuple[StepRow, str], ...]
    quoted: str
    under_way: bool
    progress: str
    trouble: str
    following: str | None


def proof_page(book: Book, look: Look | None, failed: Look | None, *, now_ms: int) -> ProofPage:
    """Work out the sheet of the newest proof."""
    newest = book.newest
    under_way = book.under_way is not None
    to_do = () if newest is None else book.to_do(newest)
    to_read = tuple(subject for step, subject in to_do if step is Step.READS)
    safety = () if newest is None else book.safety(newest)
    compared, changed = _changes(book)
    return ProofPage(
        lead=_lead(book, newest, now_ms=now_ms),
        under_way=under_way,
        exists=newest is not None,
        progress=progress_words(look),
        trouble="" if failed is None else failed.trouble,
        channels=() if newest is None else channel_rows(book, newest, now_ms=now_ms),
        safety=(sum(entry is not None for _, entry in safety), len(safety)),
        reads=0 if newest is None else sum(step is Step.READS for step, _ in book.plan(newest)),
        to_read=to_read,
        touch=sum(step is Step.TOUCH for step, _ in to_do),
        to_do=len(to_do),
        cross_talk=None if newest is None else _cross_talk(book, newest),
        compared=compared,
        changed=changed,
        earlier=tuple(
            (f"/proof/certificate?{urlencode({'of': proof.name})}", _told(book, proof))
            for proof in book.proofs[-2::-1]
        ),
        whys=tuple((why.value, words) for why, words in WHY_WORDS.items()),
    )


def safety_rows(book: Book, proof: Proof) -> tuple[SafetyRow, ...]:
    """The safety list of a proof."""
    items = {item.key: item for item in SAFETY}
    return tuple(
        SafetyRow(
            key,
            items[key].title,
            items[key].why,
            "" if entry is None else entry.outcome.value,
            Markup()
            if entry is None
            else Markup("{} {}, {}").format(entry.says, day(entry.utc_ms), entry.by),
        )
        for key, entry in book.safety(proof)
    )


def at_page(
    book: Book,
    proof: Proof,
    probe: Probe,
    look: Look | None,
    failed: Look | None,
    *,
    now_ms: int,
) -> AtPage:
    """Work out the sheet of one channel; `failed` is the last look that came to nothing."""
    own = look if look is not None and probe.name in look.names else None
    return AtPage(
        probe=probe,
        where=where_words(probe, book.rig),
        steps=tuple(
            (row, _what_to_do(row.step, probe))
            for row in step_rows(book, proof, probe, now_ms=now_ms)
        ),
        quoted=quote(probe.name, safe=""),
        under_way=proof.finished is None,
        progress=progress_words(own),
        trouble=failed.trouble if failed is not None and probe.name in failed.names else "",
        following=_following(book, proof, probe),
    )


def progress_words(look: Look | None) -> str:
    """How far a look is; empty without one."""
    if look is None:
        return ""
    who = look.names[0] if len(look.names) == 1 else counted(len(look.names), "channel", "channels")
    return f"Reading {who}: {look.there} of {look.wanted} readings are in."


def raised(readings: Sequence[Reading], *, since_ms: int, now_ms: int) -> Raised:
    """What a float was seen doing since it was watched, and what to do next."""
    states = states_of(readings)
    do = {
        (): "Waiting for its first reading.",
        (0,): "Raise the float by hand and hold it up.",
        (0, 1): "It is up. Let it go.",
    }.get(tuple(states), "")
    late = now_ms - since_ms > 3000 * TOUCH_TIME
    words = ", ".join(_FLOAT_WORDS.get(state, str(state)) for state in states)
    return Raised(since_ms, words, "" if late else do, waiting=bool(do) and not late)


def why_of(words: str) -> Why | None:
    """What a proof is made for, from a form; None for anything else."""
    return Why(words) if words in tuple(Why) else None


def _lead(book: Book, proof: Proof | None, *, now_ms: int) -> tuple[str | Markup, ...]:
    if proof is None:
        return (
            "This rig has not been proven yet.",
            "Before the water goes on, walk along every channel: is it there, is it the one it "
            "claims to be, is it good?",
        )
    began = proof.began
    begun = "" if began is None else Markup(", begun {}").format(when(began.utc_ms, now_ms=now_ms))
    end = proof.finished
    if end is None:
        over = Markup(", not finished")
    else:
        over = Markup(", finished {}").format(when(end.utc_ms, now_ms=now_ms))
    people = ", ".join(proof.people)
    return (
        Markup("Proof {}{} by {}{}.").format(WHY_WORDS[proof.why], begun, people, over),
        f"{capital(book.summary(proof))}.",
    )


def _cross_talk(book: Book, proof: Proof) -> CrossTalk | None:
    """The matrix of a proof; None before two pairs were watched together."""
    pairs = [probe.name for probe in book.rig.probes if probe.kind is Kind.PINS]
    touches = [entry for name in pairs if (entry := proof.newest(Step.TOUCH, name)) is not None]
    shares = [(entry, numbers_by_name(entry.content.get("shares"))) for entry in touches]
    seen = {name for _, row in shares for name in row} | {
        entry.subject for entry, row in shares if row
    }
    names = tuple(name for name in pairs if name in seen)
    rows = tuple(
        (entry.subject, tuple(_cell(entry, row, name) for name in names))
        for entry, row in shares
        if row
    )
    return CrossTalk(names, rows) if rows else None


def _cell(entry: ProofEntry, row: Mapping[str, float], name: str) -> tuple[str, bool]:
    if name == entry.subject:
        return "touched", False
    too_much = entry.content.get("cross_talk")
    return (
        f"{round(100 * row[name], 1) + 0.0:.1f}" if name in row else "",
        isinstance(too_much, list | tuple) and name in too_much,
    )


def _told(book: Book, proof: Proof) -> Markup:
    """A proof in a line: "22 Sep 2026, before the water goes on: 12 channels: 12 proven"."""
    began = "" if proof.began is None else Markup("{}, ").format(day(proof.began.utc_ms))
    return Markup("{}{}: {}").format(began, WHY_WORDS[proof.why], book.summary(proof))


def _changes(book: Book) -> tuple[str, tuple[tuple[str, str], ...]]:
    first = None if book.newest is None else book.baseline(book.newest)
    if book.newest is None or first is None:
        return "", ()
    changes = compare(first, book.newest, book.rig)
    beyond = tuple((change.probe, change.says) for change in changes if change.beyond)
    said = counted(len(changes), "figure", "figures")
    return f"{capital(said)} compared with the first proof, {len(beyond)} beyond.", beyond


def _what_to_do(step: Step, probe: Probe) -> str:
    if step is Step.TOUCH:
        return f"{capital(TOUCH.get(probe.kind, 'touch it'))}, and see which channel moves."
    if step is Step.POUR:
        return f"{HANDS[step]}. Each level is the middle of {SETTLED} readings after it settled."
    if step in (Step.OPEN, Step.SHORT, Step.RESISTOR):
        return f"{HANDS[step]}. It takes {LEADS} readings."
    return f"{HANDS[step]}."


def _following(book: Book, proof: Proof, probe: Probe) -> str | None:
    """The next channel along the rig file that has something to do, from this one on and round."""
    names = [each.name for each in book.rig.probes]
    place = names.index(probe.name)
    waiting = {subject for step, subject in book.to_do(proof) if step is not Step.SAFETY}
    around = [*names[place + 1 :], *names[:place]]
    return next((quote(name, safe="") for name in around if name in waiting), None)
