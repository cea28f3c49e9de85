"""Steps of a proof as the sheets show them: a shape, a word, what was found, when and by whom."""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from markupsafe import Markup

from longsoak.core.proof.book import Book, ChannelVerdict, Proof, Verdict
from longsoak.core.wording import where_words
from longsoak.vocabulary.proof import Outcome, ProofEntry, Step
from longsoak.vocabulary.rig import Probe, Rig
from longsoak_dashboards.view.sentences import when

TITLES = {
    Step.READS: "Readings",
    Step.OPEN: "Leads open",
    Step.SHORT: "Leads bridged",
    Step.RESISTOR: "Known resistor",
    Step.TOUCH: "Touch",
    Step.POUR: "Known litres",
    Step.FLOAT: "Raise the float",
    Step.CARD: "Installation card",
    Step.SAFETY: "Safety list",
}
_TO_DO = 0  # the shape of what has no outcome yet
_SHAPES = {Outcome.GOOD: 1, Outcome.NOTED: 1, Outcome.LEFT_OUT: 2, Outcome.BAD: 4}
_VERDICTS = {
    Verdict.PROVEN: 1,
    Verdict.IN_PART: 2,
    Verdict.NOT_PROVEN: 3,
    Verdict.BAD: 4,
    Verdict.OPEN: _TO_DO,
}


@dataclass(frozen=True, slots=True)
class StepRow:
    """One step at one channel. `shape` is the number of the shape that stands beside its word."""

    step: Step
    title: str
    shape: int
    word: str
    says: str
    when: Markup
    by: str

    @property
    def wants_a_look(self) -> bool:
        """Whether it was found bad."""
        return self.word == Outcome.BAD.value


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """One channel in the list of a proof."""

    name: str
    address: str
    where: str
    verdict: str
    shape: int
    steps: tuple[StepRow, ...]

    @property
    def wants_a_look(self) -> bool:
        """Whether it is bad, or nothing speaks for it."""
        return self.verdict in (Verdict.BAD.value, Verdict.NOT_PROVEN.value)


def step_row(step: Step, entry: ProofEntry | None, *, now_ms: int) -> StepRow:
    """A step with what stands of it; None is to do."""
    if entry is None:
        return StepRow(step, TITLES[step], _TO_DO, "to do", "", Markup(), "")
    at = when(entry.utc_ms, now_ms=now_ms)
    shape = _SHAPES[entry.outcome]
    return StepRow(step, TITLES[step], shape, entry.outcome.value, entry.says, at, entry.by)


def step_rows(book: Book, proof: Proof, probe: Probe, *, now_ms: int) -> tuple[StepRow, ...]:
    """What a proof plans at a probe, and what it took beside its plan."""
    planned = [step for step, subject in book.plan(proof) if subject == probe.name]
    taken = [entry.step for entry in proof.of(probe.name)]
    return tuple(
        step_row(step, proof.newest(step, probe.name), now_ms=now_ms)
        for step in dict.fromkeys((*planned, *taken))
    )


def channel_rows(book: Book, proof: Proof, *, now_ms: int) -> tuple[ChannelRow, ...]:
    """Every channel a proof is about, in the rig file's order."""
    probes = {probe.name: probe for probe in book.rig.probes}
    return tuple(
        _channel(found, step_rows(book, proof, probes[found.probe], now_ms=now_ms), book.rig)
        for found in book.verdicts(proof)
    )


def _channel(found: ChannelVerdict, steps: Sequence[StepRow], rig: Rig) -> ChannelRow:
    probe = next(probe for probe in rig.probes if probe.name == found.probe)
    return ChannelRow(
        name=found.probe,
        address=f"/proof/at/{quote(found.probe, safe='')}",
        where=where_words(probe, rig),
        verdict=found.verdict.value,
        shape=_VERDICTS[found.verdict],
        steps=tuple(steps),
    )
