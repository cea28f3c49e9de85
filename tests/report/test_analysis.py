"""Nine months whose truth is known: what is worked out of the record against that truth."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

import ninemonths
from longsoak.core.findings.settling import Settling
from longsoak.core.front import Front
from longsoak.core.uptake import Undetermined
from longsoak.report.analysed import Analysis
from longsoak.report.analysis import analyst_of
from longsoak.report.analysiswords import analysis_document, listings
from longsoak.report.handagreement import hand_agreement
from longsoak.report.verdicts import Finding, findings
from longsoak.store.files import folder_of
from longsoak.store.reader import Record
from ninemonths import BAYS, CONTROL, DAY_MS, DAYS, SEATS, START_MS, Seat
from processes import longsoak

pytestmark = pytest.mark.long

NOW_MS = START_MS + DAYS * DAY_MS
SEED = 9


@pytest.fixture(scope="module")
def rig_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("nine") / "rig"
    return ninemonths.record(folder, every_ms=3_600_000, seed=SEED)


@pytest.fixture(scope="module")
def found(rig_file: Path) -> Analysis:
    analyst = analyst_of(Record(folder_of(rig_file)), now_ms=NOW_MS)
    assert analyst is not None
    return analyst.all()


@pytest.fixture(scope="module")
def judged(rig_file: Path) -> list[Finding]:
    return findings(Record(folder_of(rig_file)), now_ms=NOW_MS)


@pytest.fixture(scope="module")
def off() -> float:
    """What all readings are off by: the first number drawn."""
    return float(np.random.default_rng(SEED).normal(0.0, ninemonths.OFF))


def seat(name: str) -> Seat:
    return next(each for each in SEATS if each.name == name)


def test_the_front_goes_at_the_pace_that_was_simulated(found: Analysis) -> None:
    first = [each for each in found.progress if each.phase.name == "first"]
    assert {each.bay for each in first} == {*BAYS} - {CONTROL}  # the control was not wetted
    for each in first:
        assert isinstance(each.pace, Front)
        true = ninemonths.PACE[each.bay] / math.sqrt(86_400.0)  # mm in the root of a second
        assert each.pace.pace == pytest.approx(true, rel=0.01)
        for reached in each.reached:
            came = 24.0 * ninemonths.arrival(seat(reached.spot.probes[0]))
            if came > 24.0 * (ninemonths.DRIED - ninemonths.WETTED):
                assert reached.hours is None
            elif reached.hours is not None:
                assert reached.hours == pytest.approx(came, rel=0.02, abs=12.0)


def test_a_place_the_water_has_not_come_to_tends_nowhere(found: Analysis) -> None:
    for each in found.tendencies:
        place = seat(each.spot.probes[0])
        if each.phase.name != "first" or place.bay == CONTROL:
            continue
        if ninemonths.arrival(place) > ninemonths.DRIED - ninemonths.WETTED:
            assert isinstance(each.found, Undetermined)
            assert "the water has not come there" in each.found.why


def test_final_values_hold_the_truth(found: Analysis, off: float) -> None:
    """95 % intervals with what all readings are off by in them; of these all are off alike."""
    ends = [
        (each.found, ninemonths.end_value(seat(each.spot.probes[0])))
        for each in found.tendencies
        if each.phase.name == "first" and isinstance(each.found, Settling)
    ]
    assert len(ends) > 20
    assert abs(off) < 2 * ninemonths.OFF
    assert all(end.final.holds(true) for end, true in ends)


def test_the_days_of_a_contact_and_of_a_broken_pair_are_no_evidence(
    judged: list[Finding], found: Analysis
) -> None:
    of = {(each.limit.name, each.phase.name): each for each in judged}
    assert of["timber of the plain lime", "first"].verdict.outcome == "broken"
    assert of["timber of the cork-lime", "first"].verdict.outcome == "held"
    assert all(e.verdict.outcome == "held" for e in judged if e.limit.name == "control stays dry")
    name, *_ = ninemonths.BROKEN
    (broken,) = [e for e in found.exposures if e.spot.probes[0] == name and e.phase.name == "first"]
    assert 0.6 < broken.found.coverage < 0.75


def test_bays_are_compared_where_they_can_be(found: Analysis) -> None:
    drying = [each for each in found.bays if each.phase.phase == "drying"]
    open_line = [e for e in drying if {e.first, e.second} == {"plain lime", "hemp-lime"}]
    assert open_line
    assert all(each.left_out for each in open_line)
    assert not any(each.left_out for each in drying if CONTROL in (each.first, each.second))
    wet = [
        each
        for each in found.bays
        if each.phase.name == "first" and not isinstance(each.found, Undetermined)
    ]
    assert wet
    assert all(each.second == CONTROL for each in wet)  # it was named
    for each in wet:
        places = [s for s in SEATS if s.bay == each.first and s.depth == each.depth]
        days = np.arange(ninemonths.DRIED - 30.0, ninemonths.DRIED, 0.125)
        rows = [SEATS.index(place) for place in places]
        true = float((ninemonths.truth(days)[:, rows] - ninemonths.DRY).mean())
        assert not isinstance(each.found, Undetermined)
        assert each.found.difference.value == pytest.approx(true, abs=0.05)


def test_the_second_wetting_is_compared_with_the_first(found: Analysis) -> None:
    assert {(e.later.name, e.earlier.name) for e in found.phases} == {("second", "first")}


def test_readings_by_hand_are_held_against_values_as_they_are_shown(
    rig_file: Path, off: float
) -> None:
    """All was converted again: a resistance read by hand then is converted by that curve too."""
    compared = hand_agreement(Record(folder_of(rig_file)), now_ms=NOW_MS)
    (of_round,) = compared.rounds
    assert len(of_round.pairs) == 27
    assert {pair.reading.shown.unit for pair in of_round.pairs} == {"%", "Ohm"}
    for pair in of_round.pairs:
        place = SEATS.index(seat(pair.probe))
        assert pair.hand == pytest.approx(
            pair.embedded - off + (0.4, -0.3, 0.1)[place % 3], abs=0.3
        )


def test_the_command_says_all_of_it(rig_file: Path, found: Analysis) -> None:
    done = longsoak("findings", rig_file, "--all")
    assert done.returncode == 1  # limits were broken
    for listing in listings(found):
        assert f"{listing.title}:" in done.stdout
    told = json.loads(longsoak("findings", rig_file, "--all", "--json").stdout)
    assert {**told, "findings": []} == json.loads(
        json.dumps({"findings": [], **analysis_document(found)})
    )


def test_what_was_read_by_depth_is_told_of_any_time(rig_file: Path, off: float) -> None:
    asked = ("findings", rig_file, "--at", "2026-08-02 00:00")  # 90 days on, 70 of them wetted
    assert "plain lime by depth:" in longsoak(*asked).stdout
    (profile,) = [
        each
        for each in json.loads(longsoak(*asked, "--json").stdout)
        if each["bay"] == "plain lime"
    ]
    true = dict(zip([s.name for s in SEATS], ninemonths.truth(np.array([89.5]))[0], strict=True))
    assert len(profile["places"]) == 15
    for place in profile["places"]:
        assert place["mean"] == pytest.approx(true[place["probe"]] + off, abs=0.2)


def test_a_report_of_it_is_the_same_each_time_and_says_what_went_wrong(
    rig_file: Path, tmp_path: Path
) -> None:
    files = [tmp_path / f"{n}.{kind}" for n in (1, 2) for kind in ("html", "pdf")]
    for html, pdf in (files[:2], files[2:]):
        done = longsoak("report", rig_file, html, "--pdf", pdf)
        assert done.returncode == 0, done.stderr
    assert files[0].read_bytes() == files[2].read_bytes()
    assert files[1].read_bytes() == files[3].read_bytes()
    text = files[0].read_text(encoding="utf-8")
    for words in (
        "Does water reach the timber behind any of three renders",
        "All data in here is invented",
        "Contacts with the water set aside",
        "Times without readings",
        "are shown as converted again under version 2 of the rig file, of ",
        "root of 2027-01-27",
        "98.1 %",
        "85.2 %",
        "dry control",
        "not done",
        "One specimen: this report speaks of it alone. Its 4 bays are no replicates",
        "Wind pressure",
    ):
        assert words in text, words
