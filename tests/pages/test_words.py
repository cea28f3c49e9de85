"""What the sheets say, worked out from readings and a time; all invented."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date

import pytest
from markupsafe import Markup

from longsoak.core.recency import stale_after_ms
from longsoak.store.packing import pack, unpack
from longsoak.store.reader import RigVersion
from longsoak.vocabulary.alarm import AlarmState, StoredChange
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.happening import RunGap
from longsoak.vocabulary.reading import Reading
from longsoak_dashboards.api.latest import latest_document
from longsoak_dashboards.source import Snapshot
from longsoak_dashboards.view import standing
from longsoak_dashboards.view.alarms import alarms_page, told
from longsoak_dashboards.view.marks import Mark, marks
from longsoak_dashboards.view.section import section_page
from longsoak_dashboards.view.sentences import count_words, moment, span_words
from pages.pagerig import DAY_MS, NOW_MS, OTHERWISE, Bays, Wrong, make_rig, scan_of
from pinkinds import rig_of

RIG = make_rig()


def readings(wrong: Mapping[str, Wrong] | None = None) -> dict[str, Reading]:
    scan = scan_of(RIG, NOW_MS - 38_000, wrong=wrong)
    stored = unpack(pack(scan), probes=scan.probes, units=scan.units, utc_ms=scan.utc_ms)
    return {reading.probe: reading for reading in stored}


def seen(*, last_ms: int = NOW_MS, alarms: Mapping[str, StoredChange] | None = None) -> Snapshot:
    return Snapshot(
        rig=RIG,
        version=RigVersion(1, 0, ""),
        now_ms=NOW_MS,
        first_ms=0,
        last_ms=last_ms,
        readings=readings(),
        last_good_ms={},
        alarms=alarms or {},
        derivation=None,
        last_gap=None,
    )


def by_name(wrong: Mapping[str, Wrong] | None = None) -> dict[str, Mark]:
    good = {"plain lime 170/260": NOW_MS - 7_800_000}
    found = marks(RIG, readings(wrong), last_good_ms=good, now_ms=NOW_MS)
    return {mark.probe.name: mark for mark in found}


def test_a_good_reading_is_told_with_value_unit_uncertainty_and_age() -> None:
    mark = by_name()["air wet T"]
    assert (mark.shape, mark.unit, mark.plus_minus, mark.age) == (1, "°C", "0.5", "38 s")
    assert (mark.word, mark.flag, mark.wants_a_look) == ("", "pass", False)


def test_every_flag_has_the_shape_and_word_of_the_key() -> None:
    found = by_name(OTHERWISE)
    said = {name: (found[name].shape, found[name].word) for name in OTHERWISE}
    assert said == {
        "plain lime 30/60": (1, ""),
        "plain lime 90/60": (3, "suspect"),
        "plain lime 170/260": (9, "missing"),
        "cork-lime 170/360": (4, "fail"),
        "cork-lime 170/60": (2, "not judged"),
    }


def test_a_value_past_its_curve_is_told_as_beyond_and_carries_no_uncertainty() -> None:
    mark = by_name(OTHERWISE)["plain lime 30/60"]
    assert (mark.value, mark.plus_minus) == ("> 25.0", "")


def test_a_missing_value_is_none_and_its_age_that_of_the_last_good_one() -> None:
    mark = by_name(OTHERWISE)["plain lime 170/260"]
    assert (mark.value, mark.unit, mark.age) == ("none", "", "2 h 10")


def test_a_failed_value_is_struck_through_and_says_why() -> None:
    mark = by_name(OTHERWISE)["cork-lime 170/360"]
    assert mark.struck
    assert mark.flag == "fail: open circuit"


def test_a_resistance_has_its_prefix_with_the_unit() -> None:
    mark = by_name()["meter reference"]
    assert (mark.value, mark.unit, mark.plus_minus) == ("10.02", "MΩ", "100 kΩ")


def test_a_probe_never_read_says_so() -> None:
    mark = marks(RIG, {}, last_good_ms={}, now_ms=NOW_MS)[0]
    assert (mark.shape, mark.value, mark.age) == (0, "none", "not read yet")


def test_a_reading_ahead_of_the_clock_is_not_told_as_new() -> None:
    # Read, then the wall clock was set back by three hours.
    now = NOW_MS - 3 * 3_600_000
    mark = marks(RIG, readings(), last_good_ms={}, now_ms=now)[0]
    assert mark.age == "2 h 59 ahead"
    said = standing.recording_sentence(RIG, last_ms=NOW_MS, now_ms=now)
    assert "3 h 00 ahead of this machine" in str(said)
    water = standing.water_now(RIG, readings(), now_ms=now)
    assert water is not None
    assert water.old


def test_a_clock_a_moment_apart_is_no_news() -> None:
    assert standing.recording_sentence(RIG, last_ms=NOW_MS + 1500, now_ms=NOW_MS) is None


def test_whether_it_records_is_not_claimed_of_a_last_scan_far_ahead() -> None:
    def recording(last_ms: int) -> object:
        return latest_document(seen(last_ms=last_ms))["recording"]

    assert recording(NOW_MS - 1000)
    assert recording(NOW_MS + 1000)
    assert not recording(NOW_MS + 3 * 3_600_000)


def test_a_bound_is_no_number_for_programs_and_has_no_uncertainty() -> None:
    document = latest_document(replace(seen(), readings=readings(OTHERWISE)))
    rows = document["probes"]
    assert isinstance(rows, list)
    told = {r["probe"]: (r["value"], r["bound"], r["standard_uncertainty"]) for r in rows}
    assert told["plain lime 30/60"] == (25.0, "at least", None)
    assert told["plain lime 90/60"] == (pytest.approx(23.1), None, pytest.approx(0.45))
    assert told["plain lime 170/260"] == (None, None, None)


def test_what_values_can_not_be_taken_for_is_said_on_the_section_and_to_programs() -> None:
    kinds = replace(seen(), rig=rig_of(), readings={})
    page = section_page(kinds)
    assert len(page.cautions) == 4
    assert "salts and the alkali of lime and cement conduct" in page.cautions[0]
    assert latest_document(kinds)["cautions"] == list(page.cautions)
    timber = replace(kinds, rig=rig_of(["timber"]))
    assert section_page(timber).cautions == ()
    assert latest_document(timber)["cautions"] == []


def test_the_section_says_of_readings_ahead_of_the_clock_that_their_age_is_not_known() -> None:
    ahead = replace(seen(last_ms=NOW_MS - 3 * 3_600_000), now_ms=NOW_MS - 3 * 3_600_000)
    lead = " ".join(section_page(ahead).lead)
    assert "33 readings are</b> dated ahead of this machine\u2019s clock" in lead
    assert "ahead" not in " ".join(section_page(seen()).lead)


def test_an_alarm_raised_ahead_of_the_clock_says_so() -> None:
    ahead = NOW_MS + 7_800_000
    normal, new, gone = AlarmState.NORMAL, AlarmState.NEW, AlarmState.GONE
    raised = StoredChange("k", ahead, 0, normal, new, None, "says", None, 1)
    over = StoredChange("k", NOW_MS - 60_000, 0, new, gone, None, "says", None, 2)
    (standing_now,) = alarms_page(seen(alarms={"k": raised}), [raised]).standing
    assert standing_now.ago.striptags() == "2 h 10 ahead of the clock"
    (no_more,) = alarms_page(seen(alarms={"k": over}), [raised, over]).gone
    assert no_more.ago.striptags() == "stood for a time that is not known, over since 12:03"


def test_the_lead_counts_good_and_marked_probes() -> None:
    all_marks = tuple(by_name(OTHERWISE).values())
    assert (
        standing.probes_sentence(all_marks) == "29 probes are good, three are marked, "
        "one is not judged."
    )
    assert standing.probes_sentence(tuple(by_name().values())) == "All 33 probes are good."


def test_the_day_counts_from_the_declared_start() -> None:
    # Computed: from 4 May to 23 September 2026 there are 142 days, so it is day 143.
    assert standing.day_sentence(RIG, first_ms=NOW_MS, now_ms=NOW_MS) == "Day 143."
    undated = replace(RIG, start=None)
    assert standing.day_sentence(undated, first_ms=NOW_MS - DAY_MS, now_ms=NOW_MS) == "Day 2."
    ahead = replace(RIG, start=date(2026, 9, 26))
    assert standing.day_sentence(ahead, first_ms=None, now_ms=NOW_MS) == "Three days to day 1."


def test_clearance_and_litres_come_from_the_level() -> None:
    water = standing.water_now(
        RIG, readings({"water level": Wrong(Flag.PASS, value=72.0)}), now_ms=NOW_MS
    )
    assert water is not None
    assert water.clearance_words == "clearance 38 ± 2 mm"
    # Computed: 72 of 150 mm of a table that ends at 61.2 L.
    assert "38\u00a0mm</b> under the specimen, 29.4\u00a0L in the catch tray" in str(
        standing.water_sentence(RIG, water)
    )


def test_water_above_the_underside_is_contact() -> None:
    high = readings({"water level": Wrong(Flag.PASS, value=113.0)})
    water = standing.water_now(RIG, high, now_ms=NOW_MS)
    assert water is not None
    assert water.clearance_words == "contact, 3 ± 2 mm deep"
    assert "3\u00a0mm above the underside" in str(standing.water_sentence(RIG, water))


@pytest.mark.parametrize(
    "wrong", [Wrong(Flag.MISSING, Reason.NO_ANSWER), Wrong(Flag.FAIL, Reason.OUT_OF_RANGE, 400.0)]
)
def test_a_level_that_can_not_be_believed_draws_no_water(wrong: Wrong) -> None:
    water = standing.water_now(RIG, readings({"water level": wrong}), now_ms=NOW_MS)
    assert water is not None
    assert water.level is None
    assert "not known" in str(standing.water_sentence(RIG, water))


def test_a_level_seen_long_ago_is_told_in_the_past() -> None:
    water = standing.water_now(RIG, readings(), now_ms=NOW_MS + 3_600_000)
    assert water is not None
    assert water.old
    assert "stood" in str(standing.water_sentence(RIG, water))


def test_not_recording_is_said_after_two_and_a_half_periods() -> None:
    # The shortest record period here is the float's; never less than half a minute.
    limit_ms = stale_after_ms(RIG)
    at_limit = standing.recording_sentence(RIG, last_ms=NOW_MS, now_ms=NOW_MS + int(limit_ms))
    assert at_limit is None
    late = standing.recording_sentence(RIG, last_ms=NOW_MS - 3 * 3_600_000, now_ms=NOW_MS)
    assert late is not None
    assert late.striptags() == "Not recording: last scan 3 h 00 ago."


def test_the_last_gap_is_told_for_a_day() -> None:
    gap = RunGap(NOW_MS - 500_000 - 192_000, NOW_MS - 500_000, clean=False, length_ms=192_000)
    said = standing.gap_sentence(gap, now_ms=NOW_MS).striptags()
    assert said == "No readings for 3 min 12 s before 11:55: the run was cut off."
    assert standing.gap_sentence(gap, now_ms=NOW_MS + 2 * DAY_MS) == ""


def test_a_gap_is_as_long_as_can_be_vouched_for_whatever_the_wall_clock_did() -> None:
    back = RunGap(NOW_MS - 500_000, NOW_MS - 600_000, clean=False, length_ms=192_000)
    said = "No readings for 3 min 12 s before 11:54: the run was cut off."
    assert standing.gap_sentence(back, now_ms=NOW_MS).striptags() == said
    unsure = RunGap(NOW_MS - 700_000, NOW_MS - 600_000, clean=True, length_ms=None)
    assert "2 min by a clock that was not synchronised" in standing.gap_sentence(
        unsure, now_ms=NOW_MS
    )
    unknown = RunGap(NOW_MS - 500_000, NOW_MS - 600_000, clean=True, length_ms=None)
    assert "a time that is not known" in standing.gap_sentence(unknown, now_ms=NOW_MS)


def test_a_rig_without_a_reservoir_says_nothing_about_water() -> None:
    dry = make_rig(Bays(reservoir=False))
    assert standing.water_now(dry, {}, now_ms=NOW_MS) is None
    assert standing.water_sentence(dry, None) is None


def test_a_request_is_asked_then_late_then_answered() -> None:
    asked = told(None, by="mk", title="Overfill", asked_ms=NOW_MS, now_ms=NOW_MS + 400)
    assert asked.words == "Overfill: asked by mk; the measuring process takes it within a second."
    late = told(None, by="mk", title="Overfill", asked_ms=NOW_MS, now_ms=NOW_MS + 95_000)
    assert isinstance(late.words, Markup)
    assert "asked by mk 95 s ago and not taken yet" in late.words.striptags()
    assert late.wants_a_look
    done = told("acknowledged", by="mk", title="Overfill", asked_ms=NOW_MS, now_ms=NOW_MS)
    assert (done.words, done.waiting) == ("Overfill: acknowledged.", False)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(12, "12 s"), (192, "3 min 12 s"), (7200, "2 h"), (7800, "2 h 10 min"), (97_200, "1 day 3 h")],
)
def test_lengths_of_time_have_two_parts_at_most(seconds: float, words: str) -> None:
    assert span_words(seconds) == words


def test_a_moment_is_as_short_as_it_stays_clear() -> None:
    assert moment(NOW_MS, now_ms=NOW_MS) == "12:04"
    assert moment(NOW_MS - DAY_MS, now_ms=NOW_MS) == "22 Sep 12:04"
    assert moment(NOW_MS - 300 * DAY_MS, now_ms=NOW_MS) == "27 Nov 2025 12:04"


def test_small_counts_are_words() -> None:
    assert [count_words(n) for n in (0, 1, 20, 21)] == ["none", "one", "twenty", "21"]
