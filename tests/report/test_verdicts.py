"""Limits judged from a record: what holds, what is set aside, and what was declared too late."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from longsoak.core.findings.decision import Outcome
from longsoak.core.phases import phase_content
from longsoak.report.verdicts import Finding, findings
from longsoak.report.verdictwords import finding_document, remarks, why_words
from longsoak.store.reader import Record
from longsoak.store.writer import Batch
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.logbook import LogbookEntry
from pages.pagerig import DAY_MS, NOW_MS, Kept, Wrong, flagged, keep, rig_text
from pages.test_set_aside import contact

DEEP = ("cork-lime 170/160", "cork-lime 170/60")
FIRST = NOW_MS - 12 * DAY_MS
WETTED = NOW_MS - 8 * DAY_MS
LIMIT = """
[[limits]]
name = "dry side"
quantity = "moisture content"
bay = "cork-lime"
layer = "timber panel"
depth = [170, 170]
at_most = {at_most}
source = "common practice: timber below 20 %"
{more}
"""


def limit(at_most: float = 20.0, more: str = "") -> str:
    return LIMIT.format(at_most=at_most, more=more)


def phase(number: int, word: str | None, at_ms: int, *, control: str = "") -> LogbookEntry:
    content = phase_content(word, name="", control=control)
    return LogbookEntry(
        asked_utc_ms=at_ms, at_utc_ms=at_ms, by="mk", says="As planned", kind="phase",
        content=content, number=number, request=f"phase {number}", kept_utc_ms=at_ms,
        synchronised=True,
    )  # fmt: skip


@contextmanager
def kept(
    folder: Path,
    text: str,
    *,
    wrong: Mapping[str, Wrong] | None = None,
    since_ms: int = WETTED,
    phases: Sequence[LogbookEntry] | None = None,
) -> Iterator[Kept]:
    times = list(range(FIRST, NOW_MS, 900_000))
    rig = keep(
        folder / "rig", text=rig_text() + text, times=times, wrong=wrong or {},
        wrong_since_ms=since_ms,
    )  # fmt: skip
    entries = [phase(2, "baseline", FIRST), phase(3, "wetting", WETTED)]
    rig.writer.commit(Batch(logbook=list(entries if phases is None else phases)))
    try:
        yield rig
    finally:
        rig.close()


def judged(rig: Kept) -> list[Finding]:
    return findings(Record(rig.folder), now_ms=NOW_MS)


def wet(value: float) -> dict[str, Wrong]:
    return {DEEP[0]: Wrong(Flag.PASS, value=value)}


@pytest.mark.parametrize(
    ("value", "outcome"), [(15.0, "held"), (19.9, "undecided"), (25.0, "broken")]
)
def test_a_limit_is_judged_over_the_phase_it_is_for(
    tmp_path: Path, value: float, outcome: str
) -> None:
    with kept(tmp_path, limit(), wrong=wet(value)) as rig:
        (finding,) = judged(rig)
        assert finding.verdict.outcome == outcome
        assert finding.phase.phase == "wetting"
        assert len(finding.probes) == 4
        assert finding.verdict.value == pytest.approx(value)
        assert finding.verdict.uncertainty == pytest.approx(0.45)
        assert finding.verdict.covered == 1.0
        assert (finding.from_ms, finding.until_ms) == (WETTED, NOW_MS - DAY_MS)
        assert f"At its worst it was {value:.1f} ± 0.9 % MC" in why_words(finding)
        assert remarks(finding) == ["The phase goes on: this is as far as it has come."]


def test_what_fails_or_was_flagged_by_hand_is_no_evidence(tmp_path: Path) -> None:
    with kept(tmp_path, limit(), wrong=wet(25.0)) as rig:
        flagged(rig, Flag.FAIL, since_ms=WETTED, until_ms=None, name=DEEP[0])
        (finding,) = judged(rig)
        assert finding.verdict.outcome == "undecided"
        assert "Good data of every probe cover 0 % of the windows" in finding.verdict.why


def test_what_a_contact_set_aside_is_left_out_and_told_with_what_it_would_change(
    tmp_path: Path,
) -> None:
    text = limit(more="coverage = 0.5")
    low = {DEEP[1]: Wrong(Flag.PASS, value=25.0)}  # the lowest, which water touches first
    with kept(tmp_path, text, wrong=low, since_ms=NOW_MS - 2 * DAY_MS) as rig:
        contact(rig, from_ms=NOW_MS - 2 * DAY_MS, until_ms=None)
        (finding,) = judged(rig)
        assert finding.aside > 0
        assert finding.with_aside.outcome == "broken"
        assert finding.verdict.outcome != "broken"
        assert any("With them in it would be broken." in words for words in remarks(finding))


def test_a_limit_that_came_when_the_phase_had_begun_is_told_as_late(tmp_path: Path) -> None:
    with kept(tmp_path, "") as rig:
        rig.writer.accept_rig(rig_text() + limit(), utc_ms=WETTED + DAY_MS)
        (finding,) = judged(rig)
        assert finding.late
        assert finding.version == 2
        assert "it is no limit declared beforehand" in remarks(finding)[0]


def test_a_limit_that_was_changed_later_is_judged_as_it_stood_and_says_so(tmp_path: Path) -> None:
    with kept(tmp_path, limit(), wrong=wet(22.0)) as rig:
        rig.writer.accept_rig(rig_text() + limit(30.0), utc_ms=WETTED + DAY_MS)
        (finding,) = judged(rig)
        assert (finding.verdict.outcome, finding.limit.bound) == (Outcome.BROKEN, 20.0)
        assert (finding.late, finding.changed) == (False, (2,))
        assert "It was changed while the phase went on" in remarks(finding)[0]


def test_above_its_own_baseline_a_pin_is_held_against_itself(tmp_path: Path) -> None:
    text = """
[[limits]]
name = "render"
quantity = "wood-equivalent"
bay = "cork-lime"
depth = [30, 30]
at_most = 5
above = "own baseline"
"""
    pin = "cork-lime 30/160"
    with kept(tmp_path, text, wrong={pin: Wrong(Flag.PASS, value=29.0)}) as rig:
        (finding,) = judged(rig)
        assert finding.verdict.outcome == "broken"
        assert finding.verdict.value == pytest.approx(29.0 - 17.5, abs=0.5)
    with kept(tmp_path / "without", text, phases=[phase(1, "wetting", WETTED)]) as rig:
        (finding,) = judged(rig)
        assert finding.verdict.why.startswith("No baseline phase ended before this one began")


def test_above_the_control_it_is_held_against_that_at_the_same_hour(tmp_path: Path) -> None:
    text = limit(3.0, 'above = "control"')
    phases = [phase(1, "wetting", WETTED, control="plain lime")]
    dry = {name.replace("cork-lime", "plain lime"): Wrong(Flag.PASS, value=12.0) for name in DEEP}
    with kept(tmp_path, text, wrong=wet(19.0) | dry, phases=phases) as rig:
        (finding,) = judged(rig)
        assert finding.verdict.outcome == "broken"
    with kept(tmp_path / "none", text, phases=[phase(1, "wetting", WETTED)]) as rig:
        (finding,) = judged(rig)
        assert finding.verdict.why == (
            "The phase names no unwetted control, and the limit is above it."
        )


def test_nothing_is_judged_where_nothing_was_declared_or_begun(tmp_path: Path) -> None:
    with kept(tmp_path, limit(), phases=[]) as rig:
        assert judged(rig) == []
    with kept(tmp_path / "b", "") as rig:
        assert judged(rig) == []


def test_programs_are_told_the_same(tmp_path: Path) -> None:
    with kept(tmp_path, limit(), wrong=wet(25.0)) as rig:
        (finding,) = judged(rig)
        document = finding_document(finding)
    assert document["verdict"] == "broken"
    assert document["phase"] == "wetting"
    assert document["margin"] == pytest.approx(-5.0)
    assert document["covered"] == 1.0
    assert document["probes"] == list(finding.probes)
