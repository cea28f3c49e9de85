"""Entries folded into proofs, what is to do, and verdicts."""

from collections.abc import Mapping
from dataclasses import replace

import pytest

from longsoak.core.proof.book import RIG, STEPS, Book, Proof, Verdict, Why
from longsoak.core.proof.safety import SAFETY
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry, Step
from longsoak.vocabulary.rig import Kind
from rigs import START_MS, small_rig

FIRST, SECOND = "2026-05-04T09:00:00Z", "2026-06-01T09:00:00Z"
GOOD, BAD, LEFT_OUT = Outcome.GOOD, Outcome.BAD, Outcome.LEFT_OUT


def entry(
    step: Step,
    subject: str = RIG,
    outcome: Outcome = GOOD,
    *,
    proof: str = FIRST,
    by: str = "mk",
    content: Mapping[str, Json] | None = None,
) -> ProofEntry:
    return ProofEntry(0, START_MS, proof, step, subject, outcome, by, "as told", content or {})


def begin(proof: str = FIRST, **content: Json) -> ProofEntry:
    return entry(Step.BEGIN, outcome=Outcome.NOTED, proof=proof, content=content)


def newest(book: Book) -> Proof:
    assert book.newest is not None
    return book.newest


def verdict_of(book: Book, probe: str) -> Verdict:
    return {v.probe: v.verdict for v in book.verdicts(newest(book))}[probe]


def test_each_kind_of_probe_has_steps() -> None:
    assert set(STEPS) == set(Kind)


def test_a_new_proof_has_the_safety_list_and_every_channel_to_do() -> None:
    book = Book([begin()], small_rig())
    to_do = book.to_do(newest(book))
    assert to_do[: len(SAFETY)] == tuple((Step.SAFETY, item.key) for item in SAFETY)
    assert {subject for step, subject in to_do if step is Step.READS} == {
        probe.name for probe in small_rig().probes
    }
    assert (Step.POUR, "water level") in to_do
    assert not book.proven(newest(book))


def test_a_later_entry_supersedes_an_earlier_one_and_both_are_kept() -> None:
    bad, good = entry(Step.READS, "C 10/60", BAD), entry(Step.READS, "C 10/60")
    proof = newest(Book([begin(), bad, good], small_rig()))
    assert proof.newest(Step.READS, "C 10/60") is good
    assert proof.superseded == (bad,)


def test_a_proof_is_under_way_until_it_is_finished() -> None:
    assert Book([], small_rig()).under_way is None
    begun = [begin(), entry(Step.READS, "C 10/60")]
    going_on = Book(begun, small_rig()).under_way
    assert going_on is not None
    assert going_on.name == FIRST
    assert Book([*begun, entry(Step.FINISH)], small_rig()).under_way is None


def test_proofs_stay_apart() -> None:
    book = Book(
        [
            begin(),
            entry(Step.READS, "C 10/60", BAD),
            entry(Step.FINISH),
            begin(SECOND, why="end", probes=["C 10/60"], steps=["reads"]),
            entry(Step.READS, "C 10/60", proof=SECOND),
        ],
        small_rig(),
    )
    assert [proof.name for proof in book.proofs] == [FIRST, SECOND]
    assert newest(book).why is Why.END
    assert book.to_do(newest(book)) == ()
    assert verdict_of(book, "C 10/60") is Verdict.PROVEN
    assert book.proven(newest(book))
    assert book.summary(newest(book)) == "1 channel: 1 proven, by reads alone"
    first = book.called(FIRST)
    assert first is not None
    assert not book.proven(first)


@pytest.mark.parametrize(
    ("outcomes", "verdict"),
    [
        ((GOOD, GOOD), Verdict.PROVEN),
        ((GOOD, LEFT_OUT), Verdict.IN_PART),
        ((LEFT_OUT, LEFT_OUT), Verdict.NOT_PROVEN),
        ((GOOD, BAD), Verdict.BAD),
        ((GOOD, None), Verdict.OPEN),
        ((BAD, None), Verdict.BAD),
    ],
)
def test_the_verdict_follows_from_the_steps(
    outcomes: tuple[Outcome | None, ...], verdict: Verdict
) -> None:
    steps = (Step.READS, Step.FLOAT)
    taken = [
        entry(step, "high float", outcome)
        for step, outcome in zip(steps, outcomes, strict=True)
        if outcome is not None
    ]
    book = Book([begin(probes=["high float"]), *taken], small_rig())
    assert verdict_of(book, "high float") is verdict


def test_a_safety_item_that_is_called_like_a_probe_is_no_step_of_it() -> None:
    key = SAFETY[0].key
    probes = tuple(
        replace(probe, name=key) if probe.name == "high float" else probe
        for probe in small_rig().probes
    )
    begun = begin(steps=["safety", "reads"])
    book = Book([begun, entry(Step.SAFETY, key, BAD)], small_rig(probes=probes))
    (found,) = (v for v in book.verdicts(newest(book)) if v.probe == key)
    assert found.bad == ()
    assert found.to_do == (Step.READS,)


def test_a_rig_is_not_proven_while_a_safety_item_is_open() -> None:
    begun = begin(steps=["safety", "reads"])
    reads = [entry(Step.READS, probe.name) for probe in small_rig().probes]
    ticks = [entry(Step.SAFETY, item.key) for item in SAFETY]
    whole = Book([begun, *reads, *ticks], small_rig())
    assert whole.proven(newest(whole))
    short = Book([begun, *reads, *ticks[:-1]], small_rig())
    assert not short.proven(newest(short))
    assert "8 proven, by reads, safety alone; 1 safety item not ticked" in short.summary(
        newest(short)
    )


def test_a_probe_that_left_the_rig_file_keeps_its_entries_and_has_no_verdict() -> None:
    gone = entry(Step.READS, "C 99/99", BAD)
    book = Book([begin(steps=["reads"]), gone], small_rig())
    assert newest(book).newest(Step.READS, "C 99/99") is gone
    assert "C 99/99" not in {found.probe for found in book.verdicts(newest(book))}


def test_a_proof_is_compared_with_each_step_as_it_first_was_good_whichever_proof_that_was_in() -> (
    None
):
    third, last = "2026-07-01T09:00:00Z", "2026-08-01T09:00:00Z"
    tried = entry(Step.RESISTOR, "C 10/60", BAD, proof=SECOND)
    mended = entry(Step.RESISTOR, "C 10/60", proof=third)
    again = entry(Step.RESISTOR, "C 10/60", proof=last)
    left = entry(Step.OPEN, "C 10/60", LEFT_OUT, proof=SECOND)
    # The first was begun by mistake, and nothing was taken in it.
    book = Book([begin(), begin(SECOND), tried, left, begin(third), mended, again], small_rig())
    first = book.baseline(newest(book))
    assert first is not None
    assert first.name == third
    assert first.newest(Step.RESISTOR, "C 10/60") is mended
    assert first.newest(Step.OPEN, "C 10/60") is None
    repaired = book.called(third)
    assert repaired is not None
    before = book.baseline(repaired)
    assert before is not None
    assert before.newest(Step.RESISTOR, "C 10/60") is tried
    assert book.baseline(book.proofs[0]) is None


def test_a_finished_proof_stays_what_it_was_when_the_rig_file_changes() -> None:
    rig = small_rig()
    *others, last = rig.probes
    before = replace(rig, probes=tuple(others))
    good = [entry(step, p.name) for p in before.probes for step in STEPS[p.kind]]
    begun = begin(probes=[p.name for p in before.probes])
    under_way = Book([begun, *good], before)
    end = entry(
        Step.FINISH,
        content={
            "verdicts": {v.probe: v.verdict.value for v in under_way.verdicts(newest(under_way))}
        },
    )
    end = replace(end, says=under_way.summary(newest(under_way)))
    whole = Book([begin(), *good, end], rig)  # with a probe more than there was
    assert last.name not in {subject for _, subject in whole.plan(newest(whole))}
    assert whole.proven(newest(whole))
    assert whole.summary(newest(whole)) == end.says
    bad = entry(Step.OPEN, "C 10/60", BAD)
    unproven = [begin(), bad, replace(end, outcome=BAD, says="1 channel: 1 bad")]
    gone = Book(unproven, replace(rig, probes=(last,)))  # without the one that was bad
    assert not gone.proven(newest(gone))
    assert gone.summary(newest(gone)) == "1 channel: 1 bad"
