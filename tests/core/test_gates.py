"""The gates before a wetting: what meets each, and what an entry keeps of them."""

from collections.abc import Mapping
from dataclasses import replace

import pytest

from longsoak.core.gates import (
    BASELINE_DAYS,
    baseline_gate,
    gate_content,
    gate_document,
    gate_words,
    proof_gate,
    safety_gate,
    steady_gate,
    steady_probes,
)
from longsoak.core.logbook import check_entry
from longsoak.core.phases import (
    BASELINE,
    WETTING,
    Phase,
    begins_words,
    begun,
    kept_gates,
    phase_document,
    phases,
)
from longsoak.core.proof.book import RIG, Book, steps_of
from longsoak.core.proof.safety import SAFETY
from longsoak.core.steadiness import DAYS, DayMean
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.gate import Gate, GateName, GateState
from longsoak.vocabulary.logbook import LogbookEntry
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry, Step
from longsoak.vocabulary.rig import Kind, Probe, Weighs
from rigs import START_MS, small_rig

DAY_MS = 86_400_000
MET, NOT_MET, NOT_KNOWN = GateState
STILL = [DayMean(12.0)] * DAYS
RISING = [DayMean(12.0 + day) for day in range(DAYS)]
NONE = [DayMean(None)] * DAYS
PINS = [probe.name for probe in small_rig().probes if probe.kind is Kind.PINS]


def scale() -> Probe:
    return Probe("scale", Kind.SCALE, "b", {}, 60.0, 60.0, 0.01, weighs=Weighs.SPECIMEN)


def steady(
    days: Mapping[str, list[DayMean]] | None = None, mass: list[DayMean] | None = None
) -> Gate:
    rig = small_rig()
    if mass is not None:
        rig = replace(rig, probes=(*rig.probes, scale()))
    every = {probe.name: STILL for probe in steady_probes(rig)} | {"scale": mass or []}
    return steady_gate(rig, {**every, **(days or {})})


def test_pins_and_humidity_in_the_specimen_and_its_scale_have_to_be_at_rest() -> None:
    names = {probe.name for probe in steady_probes(small_rig())}
    assert set(PINS) <= names
    assert "water level" not in names
    assert steady().state is MET


def test_one_probe_that_rises_shuts_the_gate_whatever_the_mass_does() -> None:
    for mass in (None, STILL):
        found = steady({PINS[1]: RISING}, mass)
        assert found.state is NOT_MET
        assert f"still change: {PINS[1]}: +7.00 % MC in 7 days" in found.says
        assert found.remedy


def test_a_constant_mass_answers_for_probes_that_can_not_be_judged() -> None:
    assert steady({PINS[0]: NONE}).state is NOT_KNOWN
    by_mass = steady({PINS[0]: NONE}, STILL)
    assert by_mass.state is MET
    assert "The mass is constant" in by_mass.says
    assert steady({PINS[0]: NONE}, NONE).state is NOT_KNOWN


def test_without_anything_in_the_specimen_it_is_not_known() -> None:
    level = [probe for probe in small_rig().probes if probe.kind is Kind.LEVEL]
    found = steady_gate(small_rig(probes=tuple(level)), {})
    assert (found.state, "nothing is read in the specimen" in found.says) == (NOT_KNOWN, True)


def phase(word: str, first: float, last: float | None) -> Phase:
    until = None if last is None else START_MS + round(last * DAY_MS)
    return Phase(1, word, "", START_MS + round(first * DAY_MS), until, "mk", "")


@pytest.mark.parametrize(
    ("known", "state"),
    [
        ([], NOT_MET),
        ([phase(BASELINE, 0, None)], MET),
        ([phase(BASELINE, 6.1, None)], NOT_MET),
        ([phase(BASELINE, 6, None)], MET),
        ([phase(BASELINE, 0, 14), phase("dry run", 14, None)], MET),
        ([phase(BASELINE, 0, 13.9), phase("dry run", 13.9, None)], NOT_MET),
        ([phase(BASELINE, 0, 15), phase(BASELINE, 15, None)], NOT_MET),  # the last one counts
        ([phase(BASELINE, 21, None)], NOT_MET),  # after it
        ([phase(BASELINE, 0, 25)], MET),  # which the wetting ends earlier, written afterwards
    ],
)
def test_a_baseline_of_fourteen_days_has_ended_or_goes_on(
    known: list[Phase], state: GateState
) -> None:
    found = baseline_gate(known, at_ms=START_MS + 20 * DAY_MS)
    assert found.state is state
    assert str(BASELINE_DAYS) in found.says


def entry(
    step: Step, subject: str = RIG, outcome: Outcome = Outcome.GOOD, *, proof: str = "a", **c: Json
) -> ProofEntry:
    return ProofEntry(0, START_MS, proof, step, subject, outcome, "mk", "as told", c)


def whole(proof: str = "a") -> list[ProofEntry]:
    rig = small_rig()
    return [
        entry(Step.BEGIN, outcome=Outcome.NOTED, proof=proof),
        *(entry(s, p.name, proof=proof) for p in rig.probes for s in steps_of(p, rig)),
    ]


def proof(entries: list[ProofEntry]) -> Gate:
    return proof_gate(Book(entries, small_rig()))


def test_every_channel_has_to_be_proven() -> None:
    assert proof(whole()).state is MET
    assert proof([]).state is NOT_MET
    some = [e for e in whole() if e.subject != PINS[0]]
    assert f"1 of {len(small_rig().probes)} channels not proven: {PINS[0]}." in proof(some).says


def test_what_was_bad_is_mended_by_a_proof_after_the_repair() -> None:
    bad = [*whole(), entry(Step.READS, PINS[0], Outcome.BAD)]
    assert f"{PINS[0]} (bad)" in proof(bad).says
    begins = entry(Step.BEGIN, outcome=Outcome.NOTED, proof="b", why="repair", probes=[PINS[0]])
    rig = small_rig()
    (mended,) = (probe for probe in rig.probes if probe.name == PINS[0])
    again = [entry(s, PINS[0], proof="b") for s in steps_of(mended, rig)]
    assert proof([*bad, begins, *again]).state is MET
    assert proof([*bad, begins]).state is NOT_MET


def test_a_channel_that_only_answers_is_not_proven_and_one_found_bad_later_is_bad() -> None:
    begins = entry(Step.BEGIN, outcome=Outcome.NOTED, proof="b", steps=["reads"])
    reads = [entry(Step.READS, p.name, proof="b") for p in small_rig().probes]
    assert proof([begins, *reads]).state is NOT_MET
    assert proof([*whole(), begins, *reads]).state is MET
    worse = entry(Step.READS, PINS[0], Outcome.BAD, proof="b")
    assert proof([*whole(), begins, *reads, worse]).state is NOT_MET


def test_a_proof_that_has_only_begun_takes_nothing_away() -> None:
    begins = entry(Step.BEGIN, outcome=Outcome.NOTED, proof="b")
    assert proof([*whole(), begins]).state is MET


def test_the_safety_list_is_ticked_in_a_proof_or_by_a_named_person() -> None:
    ticked = [entry(Step.SAFETY, item.key) for item in SAFETY]
    assert safety_gate(ticked).state is MET
    assert safety_gate(ticked[1:]).says == f"1 of 10 items not ticked: {SAFETY[0].key}."
    not_so = [*ticked, entry(Step.SAFETY, "overflow", Outcome.BAD)]
    assert safety_gate(not_so).state is NOT_MET
    out = [*ticked, entry(Step.SAFETY, "lifting", Outcome.LEFT_OUT)]
    assert "1 of them left out with a reason" in safety_gate(out).says
    assert safety_gate([], safe_by="Mina Kolar").state is MET
    with pytest.raises(RequestError, match="initials are no signature"):
        safety_gate([], safe_by="mk")


GATES = [
    Gate(GateName.STEADY, MET, "At rest."),
    Gate(GateName.BASELINE, NOT_MET, "It has 3 days.", "Wait."),
    Gate(GateName.PROOF, NOT_KNOWN, "Nobody looked."),
]


def test_a_gate_that_is_not_met_wants_a_reason_and_both_are_kept() -> None:
    with pytest.raises(RequestError, match=r"2 gates not met \(baseline, proof\)"):
        gate_content(GATES, although="  ", safe_by="")
    content = gate_content(GATES, although="The room is\n let only till May", safe_by="Mina Kolar")
    made = wetting(content)
    check_entry(made)
    (found,) = phases([made])
    assert (found.unmet, found.gated) == (("baseline", "proof"), True)
    assert found.although == "The room is let only till May"
    assert begins_words(made) == (
        "wetting begins, although not met: baseline, proof (The room is let only till May)"
    )
    assert phase_document(found)["gates_not_met"] == ["baseline", "proof"]
    assert kept_gates(made.content) == content


def test_a_reason_that_was_not_needed_is_not_kept() -> None:
    content = gate_content(GATES[:1], although="In a hurry", safe_by="")
    assert content == {"gates": {"readings steady": {"state": "met", "says": "At rest."}}}


def test_a_gate_is_told_with_how_to_meet_it() -> None:
    assert gate_words(GATES[1]) == "Baseline, not met: It has 3 days. Wait."
    assert gate_document(GATES[0]) == {
        "gate": "readings steady", "state": "met", "says": "At rest.", "remedy": None,
    }  # fmt: skip


def wetting(content: Mapping[str, Json], word: str = WETTING) -> LogbookEntry:
    return begun(word, name="", by="mk", says="Go", at_ms=START_MS, now_ms=START_MS, gates=content)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ({"gates": {"proof": {"state": "not met", "says": "x"}}}, "needs a reason"),
        ({"gates": {"proof": {"state": "shut", "says": "x"}}}, "A gate is one of met, not met"),
        ({"gates": {"proof": {"state": "met"}}}, "A gate has a state and a sentence"),
        ({"gates": {"weather": {"state": "met", "says": "x"}}}, "The gates of a wetting are"),
        ({"although": "x"}, "The gates of a wetting are"),
        ({"gates": {}, "safe_by": 3}, "is one line of up to"),
    ],
)
def test_an_entry_s_gates_are_judged(content: Mapping[str, Json], says: str) -> None:
    with pytest.raises(RequestError, match=says):
        check_entry(wetting(content))


def test_only_a_wetting_has_gates() -> None:
    with pytest.raises(RequestError, match="Only a wetting has gates before it"):
        check_entry(wetting({"gates": {}}, "drying"))
    (before,) = phases([wetting({})])
    assert (before.gated, before.unmet) == (False, ())
