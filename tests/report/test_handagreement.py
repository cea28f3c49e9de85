"""Readings by hand held against the pins beside them, from a record: what is paired and told."""

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from statistics import mean, stdev

import pytest
from scipy import stats

from longsoak.core.findings.agreement import Agreement
from longsoak.core.handreadings import Place, Setting, Shown, hand_content, said_words
from longsoak.core.metercheck import check_content, check_said
from longsoak.core.resistance import prepare, resistance
from longsoak.core.uptake import Undetermined
from longsoak.report.handagreement import Alike, HandAgreement, Why, alike_of, hand_agreement
from longsoak.report.handagreementwords import (
    agreement_document,
    declared_words,
    head_words,
    held_words,
    judged_words,
    map_rows,
    remarks,
)
from longsoak.rigfile.curves import shipped
from longsoak.store.reader import Record
from longsoak.store.writer import Batch
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.logbook import HAND, METER_CHECK, About, LogbookEntry, Subject
from longsoak.vocabulary.rig import Quantity
from pages.pagerig import DAY_MS, NOW_MS, Kept, Wrong, flagged, keep, rig_text
from pages.test_set_aside import contact

BAY = "plain lime"
FIR = "Douglas-fir (coast)"
FIRST = NOW_MS - 3 * DAY_MS
TAKEN = NOW_MS - 2 * DAY_MS
HOUR_MS = 3_600_000
RULE = """
[hand_readings]
wins = "hand"
tolerance = {tolerance}
{more}
[hand_readings.scales]
"fir" = "Douglas-fir (coast)"
"""
METER = Setting(
    round="1", meter="pin meter 2", scale="Fir", correction_temperature=20.0, pins="insulated"
)
# What pins read and how far off the hand meter is, in the timber of one bay; invented.
OFFS = {
    (90, 60): 0.4, (90, 160): -0.3, (90, 260): 0.9, (90, 360): 0.2,
    (170, 60): 1.1, (170, 160): 0.6, (170, 260): 0.0, (170, 360): 0.9,
}  # fmt: skip
EMBEDDED = {place: 14.0 + number for number, place in enumerate(OFFS)}


def rule(tolerance: float = 2.0, more: str = "") -> str:
    return RULE.format(tolerance=tolerance, more=more)


def reads(values: Mapping[tuple[int, int], float]) -> dict[str, Wrong]:
    return {
        f"{BAY} {depth}/{height}": Wrong(Flag.PASS, value=value)
        for (depth, height), value in values.items()
    }


def by_hand(
    place: Place,
    shown: Shown,
    *,
    setting: Setting = METER,
    at_ms: int = TAKEN,
    wood: float | None = 20.0,
    bay: str = BAY,
    same_hole: bool = False,
) -> LogbookEntry:
    content = hand_content(place, shown, setting, wood_temperature=wood, same_hole=same_hole)
    return LogbookEntry(
        asked_utc_ms=at_ms, at_utc_ms=at_ms, by="mk", says=said_words(bay, content), kind=HAND,
        subject=Subject(About.BAY, bay), content=content,
    )  # fmt: skip


def on_block(when: str, shown: float, *, at_ms: int, round_name: str = "1") -> LogbookEntry:
    content = check_content(
        round_name=round_name, meter=METER.meter, when=when, nominal=Shown(18.0, "%"),
        shown=Shown(shown, "%"),
    )  # fmt: skip
    return LogbookEntry(
        asked_utc_ms=at_ms, at_utc_ms=at_ms, by="mk", says=check_said(content), kind=METER_CHECK,
        content=content,
    )  # fmt: skip


def a_round(
    *, setting: Setting = METER, at_ms: int = TAKEN, beside: float = 25.0, more: float = 0.0
) -> list[LogbookEntry]:
    """A reading 25 mm above each pair of pins, a minute apart."""
    return [
        by_hand(
            Place(depth + 2, height + beside),
            Shown(EMBEDDED[depth, height] - off - more, "%"),
            setting=setting,
            at_ms=at_ms + number * 60_000,
        )
        for number, ((depth, height), off) in enumerate(OFFS.items())
    ]


@contextmanager
def kept(
    folder: Path,
    entries: Sequence[LogbookEntry],
    *,
    text: str | None = None,
    wrong: Mapping[str, Wrong] | None = None,
) -> Iterator[Kept]:
    rig = keep(
        folder / "rig", text=rig_text() + (rule() if text is None else text),
        times=range(FIRST, NOW_MS, 900_000), wrong=reads(EMBEDDED) if wrong is None else wrong,
    )  # fmt: skip
    write(rig, entries)
    try:
        yield rig
    finally:
        rig.close()


def write(rig: Kept, entries: Sequence[LogbookEntry], *, after: int = 1) -> None:
    numbered = [
        replace(
            each, number=number, request=f"hand {number}", kept_utc_ms=each.asked_utc_ms,
            kept_boottime_ms=each.asked_utc_ms - NOW_MS + 400 * DAY_MS, synchronised=True,
        )
        for number, each in enumerate(entries, after + 1)
    ]  # fmt: skip
    rig.writer.commit(Batch(logbook=numbered))


def held(rig: Kept, *, now_ms: int = NOW_MS) -> HandAgreement:
    return hand_agreement(Record(rig.folder), now_ms=now_ms)


def test_a_round_is_held_against_the_pins_of_the_same_hour(tmp_path: Path) -> None:
    with kept(tmp_path, a_round()) as rig:
        found = held(rig)
    (one,) = found.rounds
    assert [pair.difference for pair in one.pairs] == pytest.approx(list(OFFS.values()), abs=1e-5)
    assert {(pair.count, pair.told, round(pair.off)) for pair in one.pairs} == {(4, True, 25)}
    assert one.left_out == ()
    ((quantity, agreement),) = [(each.quantity, each.agreement) for each in one.held]
    assert quantity is Quantity.MOISTURE_CONTENT
    assert isinstance(agreement, Agreement)
    # Computed: the mean, 1.96 standard deviations, and Student's interval of the mean by scipy.
    offs = list(OFFS.values())
    assert agreement.bias.value == pytest.approx(mean(offs), abs=1e-5)
    assert agreement.upper.value == pytest.approx(mean(offs) + 1.96 * stdev(offs), abs=1e-5)
    reach = stats.t.ppf(0.975, len(offs) - 1) * stdev(offs) / len(offs) ** 0.5
    assert agreement.bias.high - agreement.bias.value == pytest.approx(reach, rel=1e-4)
    shallow, deep = one.held[0].by_depth
    assert (shallow.depth, deep.depth) == (90, 170)
    assert shallow.mean == pytest.approx(mean(offs[:4]), abs=1e-5)
    assert deep.mean == pytest.approx(mean(offs[4:]), abs=1e-5)


def test_its_map_stands_beside_that_of_the_pins(tmp_path: Path) -> None:
    with kept(tmp_path, a_round()) as rig:
        (one,) = held(rig).rounds
    rows = map_rows(one.pairs)
    assert len(rows) == 8
    assert rows[0] == (
        BAY, "92 mm deep, 85 mm high", f"{BAY} 90/60", "25", "13.6", "14.0", "+0.4"
    )  # fmt: skip
    assert "8 readings by hand, 8 of them held against embedded pins." in head_words(one)
    words = " ".join(held_words(one.held[0], what="Round 1"))
    assert "embedded less hand is +0.5 (" in words
    assert "By depth, % MC: 90 mm +0.3 (" in words


@pytest.mark.parametrize(
    ("place", "bay", "says"),
    [
        (Place(120, 160), BAY, "no embedded pins within 5 mm of its depth; the nearest, plain"),
        (Place(90, 210), BAY, "no embedded pins of its depth within 30 mm; the nearest, plain"),
    ],
)
def test_what_has_no_pins_at_its_place_is_told_with_why(
    tmp_path: Path, place: Place, bay: str, says: str
) -> None:
    with kept(tmp_path, [by_hand(place, Shown(17.0, "%"), bay=bay)]) as rig:
        (one,) = held(rig).rounds
    assert one.pairs == ()
    (left,) = one.left_out
    assert left.why is Why.PLACE
    assert left.says.startswith(says)


def test_a_wider_place_is_one_that_the_rig_file_declares(tmp_path: Path) -> None:
    text = rule(more="depth_within = 40\nheight_within = 60")
    entries = [by_hand(Place(120, 210), Shown(17.0, "%"))]
    with kept(tmp_path, entries, text=text) as rig:
        (one,) = held(rig).rounds
    assert {pair.probe for pair in one.pairs} == {"plain lime 90/160", "plain lime 90/260"}


def test_a_bound_is_left_out_and_counted(tmp_path: Path) -> None:
    entries = [*a_round(), by_hand(Place(30, 160), Shown(60.0, "%", "at least"))]
    with kept(tmp_path, entries) as rig:
        (one,) = held(rig).rounds
    assert len(one.pairs) == 8
    assert [left.why for left in one.left_out] == [Why.BOUND]
    assert any("an end of its scale (entry 10)" in words for words in remarks(one))


def test_pins_beyond_their_curve_are_a_bound_as_well(tmp_path: Path) -> None:
    odd = reads(EMBEDDED) | {f"{BAY} 90/60": Wrong(Flag.PASS, Reason.WETTER_THAN_CURVE, 25.0)}
    with kept(tmp_path, a_round(), wrong=odd) as rig:
        (one,) = held(rig).rounds
    (left,) = one.left_out
    assert (left.why, left.probe) == (Why.EMBEDDED, f"{BAY} 90/60")
    assert "a bound, and no value" in left.says


def test_flagged_embedded_readings_are_not_used_and_that_is_told(tmp_path: Path) -> None:
    odd = reads(EMBEDDED) | {f"{BAY} 90/60": Wrong(Flag.FAIL, Reason.OPEN_CIRCUIT)}
    with kept(tmp_path, a_round(), wrong=odd) as rig:
        flagged(rig, Flag.SUSPECT, since_ms=TAKEN - DAY_MS, until_ms=None, name=f"{BAY} 90/160")
        (one,) = held(rig).rounds
    assert len(one.pairs) == 6
    assert {left.probe for left in one.left_out} == {f"{BAY} 90/60", f"{BAY} 90/160"}
    words = " ".join(remarks(one))
    assert "4 fail: open circuit" in words
    assert "4 suspect: flagged by hand" in words


def test_what_an_overfill_set_aside_is_not_used(tmp_path: Path) -> None:
    with kept(tmp_path, a_round()) as rig:
        before = len(held(rig).rounds[0].pairs)
        contact(rig, from_ms=TAKEN - 2 * HOUR_MS, until_ms=None)
        (one,) = held(rig).rounds
    assert len(one.pairs) < before
    assert any("set aside: water touched" in left.says for left in one.left_out)


def test_a_resistance_is_read_by_the_curve_of_the_pins(tmp_path: Path) -> None:
    ohm = resistance(15.0, 25.0, prepare(shipped()[FIR]))
    setting = replace(METER, scale="", correction_temperature=None)
    entries = [by_hand(Place(90, 185), Shown(ohm, "Ohm"), setting=setting, wood=25.0)]
    with kept(tmp_path, entries, text="") as rig:
        (one,) = held(rig).rounds
    (pair,) = one.pairs
    assert pair.hand == pytest.approx(15.0)
    assert pair.probe == f"{BAY} 90/160"


def test_a_meter_set_colder_than_the_wood_reads_too_wet_and_is_put_right(tmp_path: Path) -> None:
    entries = [by_hand(Place(90, 185), Shown(15.0, "%"), wood=30.0)]
    with kept(tmp_path, entries) as rig:
        (one,) = held(rig).rounds
    (pair,) = one.pairs
    # Common practice: about 0.1 % MC a kelvin at 15 % MC, so about 1 % MC over 10 K.
    assert pair.hand == pytest.approx(14.0, abs=0.4)


def test_without_a_told_temperature_the_embedded_thermometers_tell_it(tmp_path: Path) -> None:
    warm = reads(EMBEDDED) | {"cork-lime timber": Wrong(Flag.PASS, value=20.0)}
    with kept(tmp_path, [replace_wood(each) for each in a_round()], wrong=warm) as rig:
        (one,) = held(rig).rounds
    assert {pair.told for pair in one.pairs} == {False}
    assert {round(pair.temperature, 6) for pair in one.pairs} == {20.0}
    assert any("nobody measured how warm the wood" in words for words in remarks(one))


def replace_wood(entry: LogbookEntry) -> LogbookEntry:
    return replace(entry, content={**entry.content, "wood_temperature": None})


@pytest.mark.parametrize(
    ("setting", "shown", "says"),
    [
        (replace(METER, scale="beech"), 17.0, "nothing says which curve its scale, beech, is"),
        (replace(METER, correction_temperature=None), 17.0, "the temperature its meter was set to"),
        (METER, 45.0, "lies beyond the ends of the curve of its scale"),
    ],
)
def test_what_can_not_be_put_on_the_scale_is_left_out_rather_than_guessed(
    tmp_path: Path, setting: Setting, shown: float, says: str
) -> None:
    entries = [by_hand(Place(90, 185), Shown(shown, "%"), setting=setting)]
    with kept(tmp_path, entries) as rig:
        (one,) = held(rig).rounds
    (left,) = one.left_out
    assert left.why is Why.SCALE
    assert says in left.says


def test_a_round_that_goes_on_tells_nothing_of_the_pins(tmp_path: Path) -> None:
    with kept(tmp_path, a_round()) as rig:
        (one,) = held(rig, now_ms=TAKEN + HOUR_MS).rounds
        assert (one.goes_on, one.pairs, one.held) == (True, (), ())
        assert "it goes on" in head_words(one)
        document = agreement_document(held(rig, now_ms=TAKEN + HOUR_MS))
        assert "embedded" not in str(document)
        # Once its meter was checked after it, it is over.
        write(rig, [on_block("after", 18.4, at_ms=TAKEN + HOUR_MS)], after=9)
        (one,) = held(rig, now_ms=TAKEN + HOUR_MS).rounds
        assert len(one.pairs) == 8
        # What comes then may have been read with the pins' values in view.
        write(rig, [by_hand(Place(30, 85), Shown(17.0, "%"), at_ms=TAKEN + 600_000)], after=10)
        (one,) = held(rig, now_ms=TAKEN + HOUR_MS).rounds
        assert one.late == (11,)


def test_a_round_tells_whether_its_meter_was_checked_and_how_far_off_it_was(
    tmp_path: Path,
) -> None:
    entries = [on_block("before", 18.3, at_ms=TAKEN - HOUR_MS), *a_round()]
    with kept(tmp_path, entries) as rig:
        (one,) = held(rig).rounds
    assert (one.before, one.after) == (True, False)
    assert one.meters == (
        "pin meter 2: 0.3 % over the 18 % of the block before the round; not checked on a test "
        "block after the round.",
    )


@pytest.mark.parametrize(
    ("tolerance", "alike", "says"),
    [
        (4.0, Alike.AGREE, "They agree within the 4 % MC that was declared."),
        (0.2, Alike.DIFFER, "They differ by more than the 0.2 % MC that was declared: the value"),
        (1.5, Alike.UNDECIDED, "Whether they differ by more than the 1.5 % MC that was declared"),
    ],
)
def test_what_was_declared_beforehand_says_which_wins(
    tmp_path: Path, tolerance: float, alike: Alike, says: str
) -> None:
    with kept(tmp_path, a_round(), text=rule(tolerance)) as rig:
        (one,) = held(rig).rounds
    assert one.declared is not None
    assert not one.declared.late
    assert one.held[0].alike is alike
    assert judged_words(one.held[0], one.declared).startswith(says)
    assert declared_words(one.declared).startswith("Declared beforehand by version 1 of the rig")


def test_what_came_when_the_round_had_begun_is_told_as_late(tmp_path: Path) -> None:
    with kept(tmp_path, a_round(), text="") as rig:
        (one,) = held(rig).rounds
        assert one.declared is None
        assert "Nothing was declared beforehand" in declared_words(None)
        rig.writer.accept_rig(rig_text() + rule(), utc_ms=TAKEN + DAY_MS)
        (one,) = held(rig).rounds
        assert one.declared is not None
        assert one.declared.late
        assert "so that it is nothing declared beforehand" in declared_words(one.declared)


def test_all_rounds_come_to_one_agreement_of_which_a_place_is_one(tmp_path: Path) -> None:
    second = replace(METER, round="2")
    entries = [
        *a_round(at_ms=TAKEN), *a_round(setting=second, at_ms=TAKEN + DAY_MS, beside=-25, more=0.1)
    ]  # fmt: skip
    with kept(tmp_path, entries) as rig:
        found = held(rig)
    assert [each.name for each in found.rounds] == ["1", "2"]
    (whole,) = found.held
    assert isinstance(whole.agreement, Agreement)
    assert (whole.agreement.pairs, whole.agreement.places) == (16, 8)
    assert whole.agreement.within == pytest.approx(0.1 / 2**0.5, abs=1e-4)
    assert not found.mixed


def test_few_places_have_no_limits_and_say_why(tmp_path: Path) -> None:
    with kept(tmp_path, a_round()[:3]) as rig:
        (one,) = held(rig).rounds
    assert isinstance(one.held[0].agreement, Undetermined)
    assert alike_of(one.held[0].agreement, 5.0) is Alike.UNDECIDED
    assert "no limits of agreement" in held_words(one.held[0], what="Round 1")[0]


def test_what_reads_another_quantity_is_a_group_of_its_own(tmp_path: Path) -> None:
    render = [by_hand(Place(30, 185), Shown(17.0, "%"), at_ms=TAKEN + HOUR_MS)]
    with kept(tmp_path, [*a_round(), *render]) as rig:
        (one,) = held(rig).rounds
    assert {each.quantity: len(each.pairs) for each in one.held} == {
        Quantity.MOISTURE_CONTENT: 8,
        Quantity.WOOD_EQUIVALENT: 1,
    }


def test_programs_are_told_the_same(tmp_path: Path) -> None:
    with kept(tmp_path, a_round()) as rig:
        document = agreement_document(held(rig))
    (one,) = json.loads(json.dumps(document))["rounds"]
    assert len(one["pairs"]) == 8
    assert one["declared"]["wins"] == "hand"
    assert one["agreement"][0]["verdict"] in set(map(str, Alike))
    assert one["pairs"][0]["difference"] == pytest.approx(0.4, abs=1e-5)
