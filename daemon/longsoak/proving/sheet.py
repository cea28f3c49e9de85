"""The birth certificate of a rig: one proof on A4, to be signed and kept with the test."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from longsoak.core.proof.book import RIG, WHY_WORDS, Book, Proof, Verdict
from longsoak.core.proof.compare import compare
from longsoak.core.proof.safety import DECIDES, SAFETY
from longsoak.core.proof.touch import CROSS_SIGMAS, CROSS_TALK
from longsoak.core.wording import time_words, where_words, with_noun
from longsoak.proving.figures import Pour, main_figure, numbers_by_name, pour_of
from longsoak.proving.paper import document
from longsoak.vocabulary.proof import Outcome, ProofEntry, Step
from longsoak.vocabulary.rig import Kind, Probe


@dataclass(frozen=True, slots=True)
class _Column:
    """Steps that no channel takes both of, under one heading; `figure` is what its number is."""

    title: str
    figure: str
    steps: tuple[Step, ...]


_COLUMNS = (
    _Column("reads", "noise", (Step.READS,)),
    _Column("open", "insulation", (Step.OPEN,)),
    _Column("short", "leads, bridge", (Step.SHORT,)),
    _Column("resistor", "off nominal", (Step.RESISTOR,)),
    _Column("touch", "it alone moved", (Step.TOUCH,)),
    _Column("pour, float", "worst residual", (Step.POUR, Step.FLOAT)),
    _Column("card, depth", "± 2 u, mm", (Step.CARD,)),
)
# The shapes are those of the pages: a dot, a ring, a triangle, a cross, a dashed square.
_SHAPES = {
    Outcome.GOOD: "dot",
    Outcome.NOTED: "dot",
    Outcome.LEFT_OUT: "ring",
    Outcome.BAD: "cross",
}
_VERDICTS = {
    Verdict.PROVEN: "dot",
    Verdict.IN_PART: "ring",
    Verdict.NOT_PROVEN: "triangle",
    Verdict.BAD: "cross",
    Verdict.OPEN: "square",
}
_TICKED = {Outcome.GOOD: "ticked", Outcome.BAD: "not so"}
_RED = ("triangle", "cross")
_NOT_KEPT = "not kept"


@dataclass(frozen=True, slots=True)
class _Mark:
    """An outcome: its shape, its word, and the number it rests on."""

    shape: str
    word: str
    figure: str = ""

    @property
    def wants_a_look(self) -> bool:
        return self.shape in _RED


@dataclass(frozen=True, slots=True)
class _Row:
    """One channel; a mark is None where the step is not part of the proof."""

    name: str
    kind: str
    bus: str
    place: str
    marks: tuple[_Mark | None, ...]
    verdict: _Mark


@dataclass(frozen=True, slots=True)
class _Item:
    """One item of the safety list."""

    mark: _Mark
    title: str


@dataclass(frozen=True, slots=True)
class _Reason:
    """A step that is bad, or was left out, with the channels it is told of alike."""

    step: str
    subjects: str
    says: str
    by: str


@dataclass(frozen=True, slots=True)
class _Compared:
    """How a proof differs from the first one."""

    first: str
    says: str
    beyond: tuple[tuple[str, str], ...]


def certificate(book: Book, proof: Proof, *, first: Proof | None = None) -> str:
    """One proof as a whole HTML document, to be printed on A4.

    A rig of some twenty probes fits on one page; on further pages the heading of the channels is
    repeated. It needs nothing beside itself: no script, font, picture or address.

    Parameters
    ----------
    book : Book
        All proofs of the rig, with the rig.
    proof : Proof
        The one to certify; it need not be finished, and then says so.
    first : Proof or None
        The proof to compare it with, as the one made before the water went on.
    """
    columns = [column for column in _COLUMNS if _has(book, proof, column)]
    began, finished = proof.began, proof.finished
    return document(
        "certificate.html.j2",
        rig=book.rig,
        title="Birth certificate" if first is None else "Proof, repeated",
        why=WHY_WORDS[proof.why],
        began=proof.name if began is None else time_words(began.utc_ms),
        ended="not finished" if finished is None else time_words(finished.utc_ms),
        people=proof.people,
        software=_kept(began, "software"),
        version=_kept(began, "rig_version"),
        verdict=f"{'Proven' if book.proven(proof) else 'Not proven'}: {book.summary(proof)}",
        proven=book.proven(proof),
        columns=columns,
        rows=_rows(book, proof, columns),
        cross_talk=_cross_talk(book, proof),
        pours=_pours(book, proof),
        safety=_safety(book, proof),
        bad=_reasons(book, proof, Outcome.BAD),
        left_out=_reasons(book, proof, Outcome.LEFT_OUT),
        gone=_gone(book, proof),
        repeated=len(proof.superseded),
        compared=None if first is None else _compared(book, first, proof),
        decides=DECIDES,
    )


def _kept(began: ProofEntry | None, name: str) -> str:
    said = None if began is None else began.content.get(name)
    return _NOT_KEPT if said is None or said == "" else str(said)


def _has(book: Book, proof: Proof, column: _Column) -> bool:
    pairs = (*book.plan(proof), *proof.entries)
    return any(step in column.steps for step, _ in pairs)


def _rows(book: Book, proof: Proof, columns: Sequence[_Column]) -> tuple[_Row, ...]:
    probes = {probe.name: probe for probe in book.rig.probes}
    plan = frozenset(book.plan(proof))
    found = []
    for verdict in book.verdicts(proof):
        probe = probes[verdict.probe]
        marks = tuple(_mark(probe, proof, plan, column) for column in columns)
        found.append(
            _Row(
                name=probe.name,
                kind=probe.kind.value,
                bus=probe.bus,
                place=where_words(probe, book.rig),
                marks=marks,
                verdict=_Mark(_VERDICTS[verdict.verdict], verdict.verdict.value),
            )
        )
    return tuple(found)


def _mark(
    probe: Probe, proof: Proof, plan: frozenset[tuple[Step, str]], column: _Column
) -> _Mark | None:
    for step in column.steps:
        entry = proof.newest(step, probe.name)
        if entry is not None:
            return _Mark(_SHAPES[entry.outcome], entry.outcome.value, main_figure(entry, probe))
        if (step, probe.name) in plan:
            return _Mark("square", "to do")
    return None


def _cross_talk(book: Book, proof: Proof) -> str:
    """What moved along with touched pairs, in a sentence; empty where no pair was touched."""
    pairs = [probe.name for probe in book.rig.probes if probe.kind is Kind.PINS]
    entries = [proof.newest(Step.TOUCH, name) for name in pairs]
    told = [entry for entry in entries if entry is not None and "shares" in entry.content]
    if not told:
        return ""
    says = f"{len(told)} of {with_noun(len(pairs), 'pair')} of pins moved when touched."
    shares = [
        (share, other, entry.subject)
        for entry in told
        for other, share in numbers_by_name(entry.content["shares"]).items()
    ]
    if not shares:
        return f"{says} No other pair was watched."
    share, other, touched = max(shares, key=lambda found: abs(found[0]))
    if not share:
        return f"{says} No other pair changed."
    return (
        f"{says} At most {100 * abs(share):.2g} % of a pair's change in ln R came along in another "
        f"({other} with {touched}); more than {100 * CROSS_TALK:g} % and {CROSS_SIGMAS:g} times "
        "the noise is cross-talk."
    )


def _pours(book: Book, proof: Proof) -> tuple[Pour, ...]:
    entries = [proof.newest(Step.POUR, probe.name) for probe in book.rig.probes]
    found = [pour_of(entry) for entry in entries if entry is not None]
    return tuple(pour for pour in found if pour is not None)


def _safety(book: Book, proof: Proof) -> dict[str, list[_Item]]:
    """The safety list by who answered: a full name, or the initials of who left an item out."""
    titles = {item.key: item.title for item in SAFETY}
    found: dict[str, list[_Item]] = {}
    for key, entry in book.safety(proof):
        mark, name = _Mark("square", "open"), "nobody yet"
        if entry is not None:
            word = _TICKED.get(entry.outcome, entry.outcome.value)
            mark = _Mark(_SHAPES[entry.outcome], word)
            said = entry.content.get("name")
            name = said if isinstance(said, str) else entry.by
        found.setdefault(name, []).append(_Item(mark, titles[key]))
    return found


def _reasons(book: Book, proof: Proof, outcome: Outcome) -> tuple[_Reason, ...]:
    """Steps with that outcome; what is told of several channels in the same words is told once."""
    titles = {item.key: item.title for item in SAFETY}
    alike: dict[tuple[Step, str, str], list[str]] = {}
    for entry in _in_order(book, proof):
        if entry.outcome is outcome:
            subject = titles[entry.subject] if entry.step is Step.SAFETY else entry.subject
            alike.setdefault((entry.step, entry.says, entry.by), []).append(subject)
    return tuple(
        _Reason(step.value, ", ".join(subjects), says, by)
        for (step, says, by), subjects in alike.items()
    )


def _in_order(book: Book, proof: Proof) -> Iterable[ProofEntry]:
    yield from (entry for _, entry in book.safety(proof) if entry is not None)
    for probe in book.rig.probes:
        yield from (entry for entry in proof.of(probe.name) if entry.step is not Step.SAFETY)


def _gone(book: Book, proof: Proof) -> str:
    """Channels that were walked and that the rig file has no more, for no row tells of them."""
    known = {probe.name for probe in book.rig.probes}
    of_channels = [
        subject for step, subject in proof.entries if step is not Step.SAFETY and subject != RIG
    ]
    return ", ".join(name for name in dict.fromkeys(of_channels) if name not in known)


def _compared(book: Book, first: Proof, later: Proof) -> _Compared:
    began = first.began
    changes = compare(first, later, book.rig)
    beyond = tuple((change.probe, change.says) for change in changes if change.beyond)
    says = f"{with_noun(len(changes), 'figure')} compared, {len(beyond)} beyond what is allowed."
    if not changes:
        says = "Nothing was measured in both."
    return _Compared(first.name if began is None else time_words(began.utc_ms), says, beyond)
