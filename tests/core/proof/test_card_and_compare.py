"""Installation cards, and two proofs side by side."""

from collections.abc import Mapping
from dataclasses import replace
from math import sqrt

import pytest

from longsoak.core.proof.book import Book, Proof
from longsoak.core.proof.card import card_of, depth_of, note_card
from longsoak.core.proof.compare import Change, Figure, compare
from longsoak.core.proof.finding import Finding
from longsoak.core.proof.leads import judge_open
from longsoak.core.proof.reads import judge_reads
from longsoak.core.proof.water import judge_pour
from longsoak.store.bodies import is_json
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.proof import Outcome, ProofEntry, Step
from proofreadings import probe_called, readings
from rigs import START_MS, small_rig

RIG = small_rig()
PINS = probe_called("C 30/60")  # declared at 30 mm, in a bay of 60 mm
DAY_MS = 86_400_000


def noted(said: Mapping[str, object]) -> Finding:
    found = note_card(card_of(said), PINS, RIG)
    assert is_json(found.content)
    return found


@pytest.mark.parametrize(
    ("said", "depth", "uncertainty"),
    [
        # Computed by JCGM 100 4.2.3 (half the difference, floor 0.5) and 4.3.7 (half over root 3).
        ({"drilled": [30.0, 30.0], "entry": "wet"}, 30.0, 0.5),
        ({"drilled": [29.0, 31.0], "entry": "wet"}, 30.0, 1.0),
        ({"drilled": [29.0, 31.0], "entry": "wet", "bare_tip": 6.0}, 30.0, 2.0),  # root of 1 + 3
        ({"drilled": [28.0, 29.0], "entry": "dry"}, 31.5, 0.5),
    ],
)
def test_a_depth_is_the_mean_of_two_and_knows_its_doubt(
    said: Mapping[str, object], depth: float, uncertainty: float
) -> None:
    found = depth_of(card_of(said), PINS, RIG)
    assert found is not None
    assert found.mm == pytest.approx(depth)
    assert found.uncertainty == pytest.approx(uncertainty)


def test_a_hole_from_the_side_or_an_unknown_face_tells_no_depth() -> None:
    assert depth_of(card_of({"drilled": [30, 30], "entry": "side"}), PINS, RIG) is None
    assert depth_of(card_of({"drilled": [30, 30]}), PINS, RIG) is None
    assert depth_of(card_of({"entry": "wet"}), PINS, RIG) is None


def test_a_depth_beyond_twice_its_doubt_from_the_rig_files_is_told() -> None:
    assert noted({"drilled": [31.0, 31.0], "entry": "wet"}).outcome is Outcome.NOTED
    far = noted({"drilled": [31.1, 31.1], "entry": "wet"})
    assert far.outcome is Outcome.BAD
    assert "The rig file says 30 mm, 1.1 mm less" in far.says
    assert "1.1 mm more" in noted({"drilled": [28.9, 28.9], "entry": "wet"}).says


def test_a_card_comes_back_from_what_is_kept_of_it() -> None:
    said = {
        "pilot": 4.0,
        "drilled": [30.0, 30.5],
        "bare_tip": 5.0,
        "spacing": 25.0,
        "grain": "across",
        "coating": "varnish",
        "sealant": "wax",
        "entry": "dry",
        "drip_loop": True,
        "edge": 80.0,
        "photo": "c30.jpg",
        "photo_sha256": "0" * 64,
        "note": "second try",
    }
    found = noted(said)
    assert {name: found.content[name] for name in said} == said
    assert card_of({name: found.content[name] for name in said}) == card_of(said)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"pilott": 4}, "'pilott', expected one of pilot"),
        ({"pilot": "4 mm"}, "pilot is '4 mm', expected 0.5 to 50 mm"),
        ({"pilot": True}, "pilot is True"),
        ({"pilot": 0.004}, "pilot is 0.004"),
        ({"drilled": 30}, "measured twice"),
        ({"drilled": [30, float("nan")]}, "drilled is nan"),
        ({"grain": "radial"}, "one of along, across, end, none"),
        ({"entry": "top"}, "one of wet, dry, side"),
        ({"drip_loop": "yes"}, "true or false"),
        ({"photo_sha256": "abc"}, "64 digits"),
        ({"note": "two\nlines"}, "printable"),
    ],
)
def test_a_field_that_can_not_be_is_refused_in_words(
    said: Mapping[str, object], words: str
) -> None:
    with pytest.raises(PhysicsError) as refused:
        card_of(said)
    assert words in str(refused.value)


# Comparison


def proof(later: bool, *findings: tuple[Step, str, Finding]) -> Proof:
    name, utc_ms = ("b", START_MS + DAY_MS) if later else ("a", START_MS)
    entries = [
        ProofEntry(0, utc_ms, name, step, subject, found.outcome, "mk", found.says, found.content)
        for step, subject, found in findings
    ]
    (only,) = Book(entries, RIG).proofs
    return only


def reads(name: str, raws: list[float | None], instrument: str = "meter 1") -> Finding:
    return judge_reads(probe_called(name), readings(name, raws), rig=RIG, instrument=instrument)


def only_change(step: Step, name: str, first: Finding, later: Finding) -> Change:
    changes = compare(proof(False, (step, name, first)), proof(True, (step, name, later)), RIG)
    (found,) = (change for change in changes if change.figure is not Figure.OUTCOME)
    assert (found.first_ms, found.later_ms) == (START_MS, START_MS + DAY_MS)
    return found


def reference(ohm: float) -> tuple[Step, str, Finding]:
    return Step.READS, "meter reference", reads("meter reference", [ohm] * 10)


@pytest.mark.parametrize(("later", "beyond"), [(1.015e7, False), (1.035e7, True)])
def test_a_reference_that_drifted_is_told(later: float, beyond: bool) -> None:
    changes = compare(proof(False, reference(0.995e7)), proof(True, reference(later)), RIG)
    found = {change.figure: change for change in changes}[Figure.REFERENCE]
    assert found.beyond is beyond  # 2 x 1 % x the root of 2
    assert f"{100 * (later / 0.995e7 - 1):+.2f} % since, 2.8 % allowed" in found.says


@pytest.mark.parametrize(("step", "beyond"), [(0.02, False), (0.08, True)])
def test_noise_that_grew_is_told_but_not_below_a_tenth_of_what_is_allowed(
    step: float, beyond: bool
) -> None:
    first = reads("T core", [20.0, 20.0] * 5)
    later = reads("T core", [20.0, 20.0 + step] * 5)
    found = only_change(Step.READS, "T core", first, later)
    assert found.figure is Figure.NOISE
    assert found.beyond is beyond


def test_another_instrument_is_told() -> None:
    first, later = reads("T core", [20.0] * 5), reads("T core", [20.0] * 5, "meter 2")
    changes = compare(
        proof(False, (Step.READS, "T core", first)), proof(True, (Step.READS, "T core", later)), RIG
    )
    told = [change for change in changes if change.beyond]
    assert [change.figure for change in told] == [Figure.INSTRUMENT]
    assert told[0].says == "instrument was 'meter 1', is 'meter 2'"


@pytest.mark.parametrize(
    ("first", "later", "beyond"),
    [(9.9e37, 2e10, False), (9.9e37, 5e9, True), (5e10, 9.9e37, False), (5e10, 6e9, False)],
)
def test_insulation_that_fell_to_a_tenth_is_told(first: float, later: float, beyond: bool) -> None:
    def opened(ohm: float) -> Finding:
        return judge_open(PINS, readings(PINS.name, [ohm] * 3), rig=RIG)

    found = only_change(Step.OPEN, PINS.name, opened(first), opened(later))
    assert found.beyond is beyond


def test_a_level_that_moved_against_the_litres_is_told() -> None:
    assert RIG.reservoir is not None
    tray = RIG.reservoir

    def poured(zero: float) -> Finding:
        points = [(litres, litres / 0.4 + zero) for litres in (0.0, 10.0, 20.0)]
        return judge_pour(tray, points, uncertainty=1.0)

    assert not only_change(Step.POUR, "water level", poured(0.5), poured(1.5)).beyond
    assert only_change(Step.POUR, "water level", poured(-1.0), poured(4.0)).beyond


def test_a_depth_measured_anew_is_compared_by_both_doubts() -> None:
    def at(depth: float) -> Finding:
        return noted({"drilled": [depth, depth], "entry": "wet"})

    limit = 2 * sqrt(0.5**2 + 0.5**2)
    assert not only_change(Step.CARD, PINS.name, at(30.0), at(30.0 + limit - 0.1)).beyond
    assert only_change(Step.CARD, PINS.name, at(30.0), at(30.0 + limit + 0.1)).beyond


def thermometers(later: bool, *celsius: float) -> Proof:
    rig_names = ["T core", "T1", "T2"]
    found = judge_reads(
        probe_called("T core"), readings("T core", [20.0] * 3), rig=RIG, instrument=None
    )
    return proof(
        later,
        *(
            (Step.READS, name, replace(found, content={"centre": value}))
            for name, value in zip(rig_names, celsius, strict=True)
        ),
    )


@pytest.mark.parametrize(
    ("later", "beyond"),
    [
        ((25.4, 25.0, 25.0), False),  # all warmer: the room, not the sensor
        ((26.5, 25.0, 25.0), True),
        ((26.5, 25.0, 27.0), None),  # one side of the specimen is warm: nothing can be said
    ],
)
def test_a_thermometer_that_drifted_from_the_others_is_told_where_all_have_one_temperature(
    later: tuple[float, float, float], beyond: bool | None
) -> None:
    core = probe_called("T core")
    others = (replace(core, name="T1"), replace(core, name="T2"))
    rig = replace(RIG, probes=(*RIG.probes, *others))
    changes = compare(thermometers(False, 20.0, 20.0, 20.1), thermometers(True, *later), rig)
    found = [c for c in changes if c.figure is Figure.OFFSET and c.probe == "T core"]
    assert [change.beyond for change in found] == ([] if beyond is None else [beyond])
    if beyond:
        assert found[0].says.startswith("-0.1 K off the 2 other thermometers, now +1.5 K")


def test_a_channel_that_went_silent_since_is_told() -> None:
    first, silent = reads("T core", [20.0] * 5), reads("T core", [None] * 5)
    step = (Step.READS, "T core")
    (found,) = compare(proof(False, (*step, first)), proof(True, (*step, silent)), RIG)
    assert (found.figure, found.beyond) == (Figure.OUTCOME, True)
    assert found.says.startswith("reads was good, is bad: 0 of 5 polls were answered")
    assert compare(proof(False, (*step, silent)), proof(True, (*step, first)), RIG) == ()


def test_what_only_one_proof_has_is_not_compared() -> None:
    first = proof(False, (Step.READS, "T core", reads("T core", [20.0] * 5)))
    later = proof(True, (Step.READS, "RH room", reads("RH room", [50.0] * 5)))
    assert compare(first, later, RIG) == ()
    open_pins = reads(PINS.name, [9.9e37] * 5)
    noted_twice = compare(
        proof(False, (Step.READS, PINS.name, open_pins)),
        proof(True, (Step.READS, PINS.name, open_pins)),
        RIG,
    )
    assert noted_twice == ()


def test_a_probe_that_left_the_rig_is_not_compared() -> None:
    step = (Step.READS, "T core", reads("T core", [20.0] * 5))
    gone = replace(RIG, probes=tuple(p for p in RIG.probes if p.name != "T core"))
    assert compare(proof(False, step), proof(True, step), gone) == ()
