"""Limits on a mould index, judged from what a seat's two probes read over a phase."""

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from longsoak.core.mould import Decline, MouldState, Sensitivity, step
from longsoak.report.verdicts import Finding, findings
from longsoak.report.verdictwords import remarks
from longsoak.store.reader import Record
from longsoak.store.writer import Batch
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.logbook import LogbookEntry
from pages.pagerig import DAY_MS, NOW_MS, Bays, Kept, Wrong, keep, rig_text
from report.test_verdicts import phase

HOUR_MS = 3_600_000
FIRST = NOW_MS - 60 * DAY_MS
WETTED = NOW_MS - 50 * DAY_MS
RH, T = "panel RH", "panel T"
SEAT = """
[[probes]]
name = "panel RH"
kind = "humidity"
bay = "cork-lime"
depth = 200
height = 60
bus = "wire"
address = { channel = 80 }
every = 3600

[[probes]]
name = "panel T"
kind = "temperature"
bay = "cork-lime"
depth = 200
height = 60
bus = "wire"
address = { channel = 81 }
every = 3600

[[limits]]
name = "no mould in the panel"
quantity = "mould index"
at_most = BOUND
MORE
"""
PANEL = 'name = "timber panel", material = "timber", thickness = 180'
CLASS = f'{PANEL}, mould_class = "very sensitive", mould_decline = "significant"'


def text(bound: float, declared: str = CLASS, more: str = "") -> str:
    whole = rig_text(Bays(heights=(60,), depths=(30,)))
    return whole.replace(PANEL, declared) + SEAT.replace("BOUND", str(bound)).replace("MORE", more)


@contextmanager
def kept(
    folder: Path,
    rig_file: str,
    *,
    humid: float = 90.0,
    since_ms: int = WETTED,
    gaps: Sequence[tuple[int, int]] = (),
    phases: Sequence[LogbookEntry] | None = None,
) -> Iterator[Kept]:
    """A seat at 20 degC: dry at 40 % up to `since_ms`, then `humid`; not read in the `gaps`."""

    def read(at: int) -> dict[str, Wrong]:
        if any(a <= at < b for a, b in gaps):
            return {each: Wrong(Flag.MISSING, Reason.NO_ANSWER) for each in (RH, T)}
        rh = humid if at >= since_ms else 40.0
        return {RH: Wrong(Flag.PASS, value=rh), T: Wrong(Flag.PASS, value=20.0)}

    rig = keep(folder / "rig", text=rig_file, times=[FIRST], now_ms=NOW_MS, wrong=read(FIRST))
    for at in range(FIRST + HOUR_MS, NOW_MS, HOUR_MS):
        rig.scan(at, otherwise=read(at))
    entries = [phase(1, "wetting", WETTED)] if phases is None else phases
    rig.writer.commit(Batch(logbook=list(entries)))
    try:
        yield rig
    finally:
        rig.close()


def judged(rig: Kept) -> Finding:
    (found,) = findings(Record(rig.folder), now_ms=NOW_MS)
    return found


def by_core(
    hours: float, humid: float = 90.0, material: Sensitivity = Sensitivity.VERY_SENSITIVE
) -> float:
    """What the model comes to in so many steady hours, at 20 degC."""
    return step(
        MouldState(), temperature=20.0, relative_humidity=humid, hours=hours, material=material,
        decline=Decline.SIGNIFICANT,
    ).index  # fmt: skip


def doubt(hours: float) -> float:
    """Its standard uncertainty: 1 % RH and 0.25 K, as the usual rig's probes have."""

    def at(temperature: float, humid: float) -> float:
        return step(
            MouldState(), temperature=temperature, relative_humidity=humid, hours=hours,
            material=Sensitivity.VERY_SENSITIVE,
        ).index  # fmt: skip

    middle = at(20, 90)
    return math.hypot(
        max(abs(at(20, 90 + s) - middle) for s in (-1, 1)),
        max(abs(at(20 + s, 90) - middle) for s in (-0.25, 0.25)),
    )


def test_the_index_at_its_worst_is_the_model_s_with_the_probes_uncertainty(
    tmp_path: Path,
) -> None:
    with kept(tmp_path, text(6.0)) as rig:
        found = judged(rig)
    hours = 24 * 49  # the last day is not whole: its last reading was an hour before its end
    assert found.probes == (RH, T)
    assert found.until_ms == WETTED + hours * HOUR_MS
    assert found.verdict.value == pytest.approx(by_core(hours), abs=1e-6)
    assert found.verdict.uncertainty == pytest.approx(doubt(hours), abs=1e-6)
    assert found.verdict.covered == 1.0
    assert found.with_aside == found.verdict


def test_a_limit_just_kept_is_held_and_one_just_broken_is_broken(tmp_path: Path) -> None:
    """JCGM 106 (from memory): 1.645 times u to hold, and for 49 windows 3.09 to break."""
    index, u = by_core(24 * 49), doubt(24 * 49)
    for name, bound, outcome in (
        ("held", index + 1.66 * u, "held"),
        ("near", index + 1.62 * u, "undecided"),
        ("nearer", index - 3.05 * u, "undecided"),
        ("broken", index - 3.12 * u, "broken"),
    ):
        with kept(tmp_path / name, text(round(bound, 5))) as rig:
            assert judged(rig).verdict.outcome == outcome, name


def test_what_grew_before_the_phase_is_there_when_it_begins(tmp_path: Path) -> None:
    with kept(tmp_path, text(6.0), since_ms=WETTED - 9 * DAY_MS) as rig:
        assert judged(rig).verdict.value == pytest.approx(by_core(24 * 58), abs=1e-6)


def test_a_gap_never_speaks_for_held_and_a_short_one_costs_little(tmp_path: Path) -> None:
    index, u = by_core(24 * 49), doubt(24 * 49)
    bound = round(index + 2.5 * u, 5)
    week = [(WETTED + 20 * DAY_MS, WETTED + 27 * DAY_MS)]
    hour = [(WETTED + 20 * DAY_MS, WETTED + 20 * DAY_MS + HOUR_MS)]
    more = "coverage = 0.5"
    with kept(tmp_path / "none", text(bound, more=more)) as rig:
        assert judged(rig).verdict.outcome == "held"
    with kept(tmp_path / "hour", text(bound, more=more), gaps=hour) as rig:
        assert judged(rig).verdict.outcome == "held"
    with kept(tmp_path / "week", text(bound, more=more), gaps=week) as rig:
        found = judged(rig)
        assert found.verdict.value is not None
        assert found.verdict.value < index  # carried over the gap it stays where it was
        assert found.verdict.unknown == 7 * 24
        assert found.verdict.outcome == "undecided"
        assert "no verdict leans on its having stayed as it was" in remarks(found)[0]
    # In dry air nothing grows, but for the week nobody read: of that nobody can say it did not.
    with kept(tmp_path / "dry", text(0.1, more=more), humid=40.0, gaps=week) as rig:
        assert judged(rig).verdict.outcome == "undecided"
    with kept(tmp_path / "read", text(0.1, more=more), humid=40.0) as rig:
        assert judged(rig).verdict.outcome == "held"


def test_the_class_of_the_layer_decides(tmp_path: Path) -> None:
    declared = CLASS.replace("very sensitive", "resistant")
    with kept(tmp_path, text(6.0, declared)) as rig:
        found = judged(rig)
    assert found.verdict.value == pytest.approx(
        by_core(24 * 49, material=Sensitivity.RESISTANT), abs=1e-6
    )
    assert "timber panel as resistant, decline significant; each at its highest over 24 h" in (
        found.asks
    )


def test_without_a_class_there_is_no_verdict_and_a_sentence_says_what_to_declare(
    tmp_path: Path,
) -> None:
    with kept(tmp_path, text(3.0, PANEL)) as rig:
        found = judged(rig)
    assert found.verdict.outcome == "undecided"
    assert found.verdict.why == (
        "A mould index needs the class of its surface, and timber panel declares no mould_class "
        "(one of very sensitive, sensitive, medium resistant, resistant)."
    )


def test_another_class_while_the_phase_goes_on_is_told_as_a_change(tmp_path: Path) -> None:
    with kept(tmp_path, text(1.0), humid=95.0) as rig:
        rig.writer.accept_rig(
            text(1.0, CLASS.replace("very sensitive", "resistant")), utc_ms=WETTED + DAY_MS
        )
        found = judged(rig)
    assert found.changed == (2,)
    assert found.verdict.outcome == "broken"  # as it stood at the beginning


def test_a_phase_that_began_before_its_first_reading_starts_with_a_gap(tmp_path: Path) -> None:
    early = [(FIRST, WETTED + 20 * DAY_MS)]
    with kept(tmp_path, text(3.0, more="coverage = 0.3"), humid=40.0, gaps=early) as rig:
        found = judged(rig)
    assert found.verdict.value == 0.0
    assert found.verdict.outcome == "undecided"
