"""A walk through a rig of as many probes as a test wants, judged by the shipped judges."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from longsoak.core.judge import gross_range
from longsoak.core.proof.book import RIG, Book, Proof, Why, steps_of
from longsoak.core.proof.card import card_of, note_card
from longsoak.core.proof.finding import Finding, judged
from longsoak.core.proof.leads import judge_open, judge_resistor, judge_short
from longsoak.core.proof.reads import judge_reads
from longsoak.core.proof.safety import SAFETY, answered
from longsoak.core.proof.touch import judge_touch
from longsoak.core.proof.water import judge_float, judge_pour
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.proof import Outcome, ProofEntry, Step
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Kind, Probe, Rig
from proofreadings import RAW_UNITS, probe_called
from rigs import START_MS, small_rig

PROOF = "2026-05-04T09:00:00.000Z"
LATER = "2026-09-04T09:00:00.000Z"
LATER_MS = START_MS + 123 * 86_400_000
OTHERS = ("meter reference", "T core", "RH room", "water level", "high float")
_RAWS: Mapping[Kind, Sequence[float]] = {
    Kind.PINS: (9.0e9, 9.1e9, 8.9e9, 9.0e9),
    Kind.REFERENCE: (1.002e7, 1.001e7, 1.002e7, 1.003e7),
    Kind.TEMPERATURE: (20.1, 20.2, 20.1, 20.1),
    Kind.HUMIDITY: (51.0, 51.2, 51.1, 51.0),
    Kind.LEVEL: (55.0, 55.2, 55.1, 55.0),
    Kind.FLOAT: (0.0, 0.0, 0.0, 0.0),
}


def rig_of(probes: int) -> Rig:
    """The small rig with as many pairs of pins as make up that many probes."""
    pair = probe_called("C 30/60")
    pairs = [
        replace(pair, name=f"C {10 + 5 * place}/60", depth=10 + 5 * (place % 10))
        for place in range(probes - len(OTHERS))
    ]
    return small_rig(probes=(*pairs, *(probe_called(name) for name in OTHERS)))


def readings(probe: Probe, raws: Sequence[float]) -> list[Reading]:
    found = []
    for place, raw in enumerate(raws):
        flag, reason = gross_range(raw, probe.kind)
        value = None if flag is Flag.FAIL else raw
        utc_ms = START_MS + 500 * place
        unit = RAW_UNITS[probe.kind]
        found.append(Reading(probe.name, utc_ms, raw, unit, value, 0.5, flag, reason))
    return found


def finding_of(step: Step, probe: Probe, rig: Rig) -> Finding:
    """What a step finds at a good channel."""
    rest = readings(probe, _RAWS[probe.kind])
    if step is Step.READS:
        return judge_reads(probe, rest, rig=rig, instrument="meter, 20 channels")
    if step is Step.OPEN:
        return judge_open(probe, readings(probe, [9.9e37] * 3), rig=rig)
    if step is Step.SHORT:
        return judge_short(probe, readings(probe, [48.3, 48.2, 48.4]), rig=rig)
    if step is Step.RESISTOR:
        raws = readings(probe, [1.0123e6] * 3)
        return judge_resistor(probe, raws, rig=rig, nominal=1e6, tolerance=0.01)
    if step is Step.TOUCH:
        before = {p.name: readings(p, _RAWS[p.kind]) for p in rig.probes}
        wet = 2e5 if probe.kind is Kind.PINS else _RAWS[probe.kind][0] + 10
        after = {name: of_one[-1:] for name, of_one in before.items()}
        return judge_touch(probe, before, after | {probe.name: readings(probe, [wet])}, rig=rig)
    if step is Step.POUR:
        assert rig.reservoir is not None
        points = [(0.0, 0.4), (10.0, 25.3), (20.0, 49.7), (30.0, 75.2)]
        return judge_pour(rig.reservoir, points, uncertainty=0.5)
    if step is Step.FLOAT:
        return judge_float(readings(probe, [0.0, 1.0, 0.0]))
    depth = probe.depth or 0.0
    drilled = [depth + 0.4, depth]
    card = card_of({"pilot": 4.0, "drilled": drilled, "bare_tip": 2.0, "entry": "wet"})
    return note_card(card, probe, rig)


def entry(
    step: Step, subject: str, finding: Finding, *, proof: str = PROOF, utc_ms: int = START_MS
) -> ProofEntry:
    by = "mk" if step is Step.SAFETY else "jo"
    outcome, says, content = finding.outcome, finding.says, finding.content
    return ProofEntry(0, utc_ms, proof, step, subject, outcome, by, says, content)


def left_out(step: Step, subject: str, reason: str) -> ProofEntry:
    return entry(step, subject, Finding(Outcome.LEFT_OUT, reason, {}))


def begun(why: Why = Why.BEFORE, *, proof: str = PROOF, utc_ms: int = START_MS) -> ProofEntry:
    content = {"why": why.value, "software": "0.9.1", "rig_version": 7}
    finding = Finding(Outcome.NOTED, "The proof was begun.", content)
    return entry(Step.BEGIN, RIG, finding, proof=proof, utc_ms=utc_ms)


def walk(rig: Rig, *, proof: str = PROOF, utc_ms: int = START_MS) -> list[ProofEntry]:
    """A whole proof in which everything is good."""
    found = [begun(proof=proof, utc_ms=utc_ms)]
    for item in SAFETY:
        said = answered(item, so=True, name="Maria Example")
        found.append(entry(Step.SAFETY, item.key, said, proof=proof, utc_ms=utc_ms))
    for probe in rig.probes:
        for step in steps_of(probe, rig):
            finding = finding_of(step, probe, rig)
            found.append(entry(step, probe.name, finding, proof=proof, utc_ms=utc_ms))
    end = judged(True, "all proven", {})
    found.append(entry(Step.FINISH, RIG, end, proof=proof, utc_ms=utc_ms + 5_400_000))
    return found


def newest(book: Book) -> Proof:
    assert book.newest is not None
    return book.newest
