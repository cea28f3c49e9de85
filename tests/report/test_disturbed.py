"""Findings where something was poured into the specimen, or a probe was moved or renewed."""

import json
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest

from longsoak.core.newholes import hole_content
from longsoak.core.phases import phase_content
from longsoak.core.wettrades import trade_content
from longsoak.report.verdicts import Finding
from longsoak.report.verdictwords import finding_document, remarks, why_words
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.logbook import (
    NEW_HOLE,
    PHASE,
    THE_RIG,
    WET_TRADE,
    About,
    LogbookEntry,
    Subject,
)
from longsoak.vocabulary.proof import Json
from pages.pagerig import DAY_MS, Kept, Wrong
from report.test_verdicts import FIRST, WETTED, judged, kept, limit, phase, wet

PIN = "cork-lime 30/160"
OWN = """
[[limits]]
name = "render"
quantity = "wood-equivalent"
bay = "cork-lime"
depth = [30, 30]
height = [160, 160]
at_most = 5
above = "own baseline"
coverage = 0.3
"""


def entry(
    number: int, kind: str, at_ms: int, subject: Subject, content: Mapping[str, Json]
) -> LogbookEntry:
    return LogbookEntry(
        asked_utc_ms=at_ms, at_utc_ms=at_ms, by="mk", says="As told", kind=kind, subject=subject,
        content=content, number=number, request=f"{kind} {number}", kept_utc_ms=at_ms,
        synchronised=True,
    )  # fmt: skip


def trade(
    number: int, day: float, bay: str | None = "cork-lime", *, settles: float
) -> LogbookEntry:
    subject = THE_RIG if bay is None else Subject(About.BAY, bay)
    content = trade_content(litres=40, mix="lime 1, sand 3", settling_days=settles)
    return entry(number, WET_TRADE, WETTED + round(day * DAY_MS), subject, content)


def hole(number: int, at_ms: int, *, offset: float | None = None) -> LogbookEntry:
    content = hole_content(offset=offset, uncertainty=None if offset is None else 0.1)
    return entry(number, NEW_HOLE, at_ms, Subject(About.PROBE, PIN), content)


def phases(control: str = "") -> list[LogbookEntry]:
    return [phase(1, "baseline", FIRST), phase(2, "wetting", WETTED, control=control)]


def found(
    folder: Path,
    text: str,
    *more: LogbookEntry,
    wrong: Mapping[str, Wrong] | None = None,
    control: str = "",
    since_ms: int = WETTED,
) -> Finding:
    rig: AbstractContextManager[Kept] = kept(
        folder, text, wrong=wrong, phases=[*phases(control), *more], since_ms=since_ms
    )
    with rig as there:
        (finding,) = judged(there)
    return finding


def said(finding: Finding) -> str:
    return " ".join(remarks(finding))


def told(finding: Finding) -> Any:
    """The finding as a program reads it."""
    return json.loads(json.dumps(finding_document(finding)))


def test_while_it_settles_nothing_is_held(tmp_path: Path) -> None:
    text = limit(more="coverage = 0.1")
    before = found(tmp_path / "a", text)
    assert before.verdict.outcome == "held"
    after = found(tmp_path / "b", text, trade(3, 4, settles=28))
    assert after.verdict.outcome == "undecided"
    assert why_words(after).startswith("A wet trade settles until ")
    assert after.settling == 72.0  # of the 7 whole windows, those of the last three days
    assert after.with_settling.outcome == "held"
    assert "While it settles 72 h of windows are set aside. With them in it would be held." in said(
        after
    )
    assert after.verdict.covered == pytest.approx(4 / 7)


def test_what_is_wet_only_while_it_settles_breaks_nothing_and_is_told_with_it_in(
    tmp_path: Path,
) -> None:
    text = limit(more="coverage = 0.3")
    finding = found(tmp_path, text, trade(3, 0, settles=3.9), wrong=wet(25.0))
    # It stays wet after it has settled: that is no longer put down to the mix water.
    assert finding.verdict.outcome == "broken"
    assert finding.settling == 96.0
    short = found(tmp_path / "b", text, trade(3, 0, settles=30), wrong=wet(25.0))
    assert short.verdict.outcome == "undecided"
    assert short.with_settling.outcome == "broken"
    assert "With them in it would be broken." in said(short)


def test_another_bay_s_trade_says_nothing_and_the_whole_specimen_s_does(tmp_path: Path) -> None:
    text = limit()
    other = found(tmp_path / "a", text, trade(3, 4, "plain lime", settles=28))
    assert (other.verdict.outcome, other.trades) == ("held", ())
    every = found(tmp_path / "b", text, trade(3, 4, None, settles=28))
    assert every.verdict.outcome == "undecided"
    over = found(tmp_path / "c", text, trade(3, -3.9, settles=3))  # settled before it began
    assert (over.verdict.outcome, over.trades) == ("held", ())


@pytest.mark.parametrize(
    ("control", "more", "says"),
    [
        ("", (), "filled alike: the phase names no control."),
        ("plain lime", (), "the control of the phase, plain lime, was not filled."),
        (
            "plain lime",
            (trade(4, -3, "plain lime", settles=28),),
            "the control of the phase, plain lime, was filled too (entry 4).",
        ),
    ],
)
def test_it_is_to_be_judged_against_a_control_that_was_filled_alike(
    tmp_path: Path, control: str, more: Sequence[LogbookEntry], says: str
) -> None:
    finding = found(tmp_path, limit(), trade(3, 1, settles=28), *more, control=control)
    assert "40 L of lime 1, sand 3 into cork-lime" in said(finding)
    assert "the mix water and the alkali wet pins from inside" in said(finding)
    assert says in said(finding)


def test_programs_are_told_of_it(tmp_path: Path) -> None:
    document = told(found(tmp_path, limit(), trade(3, 4, settles=28)))
    assert document["settling_h"] == 72.0
    assert document["verdict_with_settling"] == "held"
    (poured,) = document["wet_trades"]
    assert poured["litres"] == 40


def rise(by: float) -> dict[str, Wrong]:
    """The pin reads more than it did, as in its first hole."""
    return {PIN: Wrong(Flag.PASS, value=17.5 + by)}


def test_an_own_baseline_does_not_reach_across_a_new_hole(tmp_path: Path) -> None:
    at = WETTED + 3 * DAY_MS
    same = found(tmp_path / "a", OWN, wrong=rise(8), since_ms=at)
    assert same.verdict.outcome == "broken"
    loose = found(tmp_path / "b", OWN, hole(3, at), wrong=rise(8), since_ms=at)
    assert loose.verdict.outcome == "held"  # of the days before it alone
    assert loose.verdict.covered == pytest.approx(3 / 7)
    assert "what was read before and after are two series; no overlap and no offset was" in said(
        loose
    )
    assert "its own baseline does not reach across" in said(loose)
    strict = OWN.replace("coverage = 0.3", "")
    assert found(tmp_path / "c", strict, hole(3, at)).verdict.outcome == "undecided"


@pytest.mark.parametrize(("offset", "outcome"), [(8.0, "held"), (0.0, "broken")])
def test_by_a_stated_offset_it_is_carried_over(tmp_path: Path, offset: float, outcome: str) -> None:
    at = WETTED + 3 * DAY_MS
    tied = found(tmp_path, OWN, hole(3, at, offset=offset), wrong=rise(8.5), since_ms=at)
    assert tied.verdict.outcome == outcome
    assert f"the new one reads {offset:.2f} ± 0.20 % WME more" in said(tied)
    assert tied.verdict.covered == 1.0
    # Of the reading, of its baseline and of the offset. Computed.
    assert tied.verdict.uncertainty == pytest.approx((0.45**2 + 0.45**2 + 0.1**2) ** 0.5)


def test_the_window_of_the_hole_itself_is_no_evidence(tmp_path: Path) -> None:
    at = WETTED + 3 * DAY_MS + DAY_MS // 2
    tied = found(tmp_path, OWN, hole(3, at, offset=8.0), wrong=rise(8), since_ms=at)
    assert tied.verdict.covered == pytest.approx(6 / 7)


def test_a_hole_within_the_baseline_lets_it_count_from_then_on(tmp_path: Path) -> None:
    at = FIRST + 2 * DAY_MS
    # It read 8 more from the new hole on, in the baseline and after it alike.
    finding = found(tmp_path, OWN, hole(3, at), wrong=rise(8), since_ms=at)
    assert finding.verdict.outcome == "held"
    assert finding.verdict.value == pytest.approx(0.0, abs=0.1)
    assert "and its baseline counts from then on." in said(finding)


def test_an_absolute_limit_is_judged_on_and_says_that_there_are_two_series(
    tmp_path: Path,
) -> None:
    deep = entry(
        3, NEW_HOLE, WETTED + DAY_MS, Subject(About.PROBE, "cork-lime 170/160"), hole_content()
    )
    finding = found(tmp_path, limit(), deep)
    assert finding.verdict.outcome == "held"
    assert "cork-lime 170/160 was moved or renewed" in said(finding)
    (moved,) = told(finding)["new_holes"]
    assert moved["probe"] == "cork-lime 170/160"


def test_a_wetting_that_began_without_its_gates_is_told(tmp_path: Path) -> None:
    gates: dict[str, Json] = {
        "gates": {"proof": {"state": "not met", "says": "x"}},
        "although": "A trial",
    }
    began = entry(2, PHASE, WETTED, THE_RIG, phase_content("wetting", gates=gates))
    with kept(tmp_path, limit(), phases=[phase(1, "baseline", FIRST), began]) as rig:
        (finding,) = judged(rig)
    assert "The phase began although not met: proof. The reason given: A trial." in said(finding)
    assert told(finding)["gates_not_met"] == ["proof"]
