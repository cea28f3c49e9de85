"""Each step's judgement, on readings whose outcome can be worked out by hand."""

from collections.abc import Sequence
from dataclasses import replace
from math import exp, inf, log, sqrt

import pytest

from longsoak.core.judge import OVERLOAD
from longsoak.core.proof.finding import Finding
from longsoak.core.proof.leads import judge_open, judge_resistor, judge_short, least_insulation
from longsoak.core.proof.reads import judge_reads
from longsoak.core.proof.touch import RESTING, judge_touch, moved_most, movements, rested, slowest
from longsoak.core.proof.water import judge_float, judge_pour
from longsoak.store.bodies import is_json
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.proof import Outcome, ProofEntry, Step
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Rig
from proofreadings import probe_called, readings
from rigs import START_MS, small_rig

GOOD, BAD, NOTED = Outcome.GOOD, Outcome.BAD, Outcome.NOTED
RIG = small_rig()
assert RIG.reservoir is not None
TRAY = RIG.reservoir  # 150 mm are 60 L: 0.4 L/mm


def reads(name: str, raws: Sequence[float | None], *, unit: str | None = None) -> Finding:
    found = judge_reads(
        probe_called(name), readings(name, raws, unit=unit), rig=RIG, instrument="meter 1"
    )
    assert is_json(found.content)
    return found


# Reads


def test_a_quiet_channel_that_answers_every_poll_is_good() -> None:
    found = reads("T core", [20.0, 20.1] * 5)
    assert found.outcome is GOOD
    # Computed: ten values 0.05 either side of their mean, n - 1 below the root.
    assert found.content["noise"] == pytest.approx(0.05 * sqrt(10 / 9))
    assert found.content["instrument"] == "meter 1"


def test_one_poll_without_an_answer_is_bad_and_counted() -> None:
    found = reads("T core", [20.0, None, *[20.0] * 8])
    assert found.outcome is BAD
    assert "9 of 10" in found.says
    assert "no answer" in found.says


def test_no_reading_at_all_is_bad() -> None:
    assert reads("T core", []).outcome is BAD


def test_two_readings_are_too_few_to_judge() -> None:
    assert "Only 2 readings came" in reads("T core", [20.0, 20.0]).says
    assert reads("T core", [20.0, 20.0]).outcome is BAD
    assert reads("T core", [20.0] * 3).outcome is GOOD


def test_another_unit_betrays_another_sensor() -> None:
    found = reads("T core", [20.0] * 10, unit="%")
    assert found.outcome is BAD
    assert "answers in %, expected Cel" in found.says


def test_what_moves_steadily_is_not_taken_for_a_loose_wire() -> None:
    for name, raws in (
        ("T core", [20.0 + 0.05 * n for n in range(10)]),
        ("C 10/60", [1e9 * 0.95**n for n in range(10)]),
    ):
        found = reads(name, raws)
        assert found.outcome is BAD
        assert "moves steadily, which is no noise: let it come to rest" in found.says
    loose = reads("C 10/60", [1e9, 1.2e9] * 5)
    assert loose.outcome is BAD
    assert "loose terminal" in loose.says


@pytest.mark.parametrize(
    ("name", "quiet", "loud"),
    [
        ("T core", [20.0, 20.15] * 5, [20.0, 20.25] * 5),  # deviation 0.079 and 0.132 K
        ("RH room", [50.0, 50.8] * 5, [50.0, 51.2] * 5),  # 0.42 and 0.63 %
        ("water level", [50.0, 51.8] * 5, [50.0, 52.2] * 5),  # 0.95 and 1.16 mm
        ("C 10/60", [1e8, 1.09e8] * 5, [1e8, 1.12e8] * 5),  # 4.5 and 6.0 % of R
        ("meter reference", [1e7, 1.003e7] * 5, [1e7, 1.005e7] * 5),  # 0.16 and 0.26 %
        ("high float", [0.0] * 10, [0.0] * 9 + [1.0]),
    ],
)
def test_noise_is_judged_by_its_kind(
    name: str, quiet: list[float | None], loud: list[float | None]
) -> None:
    assert reads(name, quiet).outcome is GOOD
    assert reads(name, loud).outcome is BAD


def test_a_value_no_such_sensor_can_have_is_bad() -> None:
    found = reads("T core", [85.0] * 10)
    assert found.outcome is BAD
    assert "outside what the sensor can measure" in found.says.lower()


def test_a_reference_resistor_is_held_to_twice_its_meters_uncertainty() -> None:
    assert reads("meter reference", [1.019e7] * 10).outcome is GOOD
    assert reads("meter reference", [1.021e7] * 10).outcome is BAD
    assert reads("meter reference", [0.979e7] * 10).outcome is BAD
    assert reads("meter reference", [OVERLOAD] * 10).outcome is BAD


def test_open_pins_are_noted_and_pins_that_come_and_go_are_bad() -> None:
    assert reads("C 10/60", [OVERLOAD] * 10).outcome is NOTED
    assert reads("C 10/60", [1e8, OVERLOAD] * 5).outcome is BAD


# Leads


def meter(*, insulation: float = inf, most: float | None = None) -> Rig:
    (first, *others) = RIG.buses
    return replace(RIG, buses=(replace(first, insulation=insulation, most=most), *others))


def test_insulation_is_as_declared_or_ten_times_the_dry_end_within_the_meters_reach() -> None:
    pins = probe_called("C 10/60")
    assert least_insulation(pins, meter(insulation=5e10)) == 5e10
    assert least_insulation(pins, meter(most=1e12)) == pytest.approx(2e11)  # its curve ends at 2e10
    assert least_insulation(pins, RIG) == 1e11
    assert least_insulation(pins, meter(insulation=5e10, most=2e9)) == 2e9


def test_open_leads_are_good_and_leaking_ones_say_how_much() -> None:
    pins = probe_called("C 10/60")
    rig = meter(insulation=5e10)
    good = judge_open(pins, readings(pins.name, [OVERLOAD, OVERLOAD]), rig=rig)
    assert (good.outcome, good.content["least"]) == (GOOD, None)
    enough = judge_open(pins, readings(pins.name, [OVERLOAD, 6e10]), rig=rig)
    assert (enough.outcome, enough.content["least"]) == (GOOD, 6e10)
    leaking = judge_open(pins, readings(pins.name, [OVERLOAD, 4e9, OVERLOAD]), rig=rig)
    assert (leaking.outcome, leaking.content["least"]) == (BAD, 4e9)
    assert "4 GΩ between open leads, expected 50 GΩ" in leaking.says
    assert judge_open(pins, readings(pins.name, [None]), rig=rig).outcome is BAD


def test_a_bridge_is_a_short_or_the_wire_is_broken() -> None:
    pins = probe_called("C 10/60")
    found = judge_short(pins, readings(pins.name, [3.0, 4.0, 5.0]), rig=RIG)
    assert (found.outcome, found.content["ohm"]) == (GOOD, 4.0)
    assert judge_short(pins, readings(pins.name, [-0.2]), rig=RIG).outcome is GOOD
    assert judge_short(pins, readings(pins.name, [3.0, 2e4]), rig=RIG).outcome is BAD
    broken = judge_short(pins, readings(pins.name, [OVERLOAD]), rig=RIG)
    assert broken.outcome is BAD
    assert "open circuit" in broken.says
    assert is_json(broken.content)


@pytest.mark.parametrize(
    ("ohm", "outcome"),
    [(1.029e6, GOOD), (0.971e6, GOOD), (1.031e6, BAD), (0.969e6, BAD), (OVERLOAD, BAD)],
)
def test_a_resistor_may_be_off_by_its_tolerance_and_the_meters(
    ohm: float, outcome: Outcome
) -> None:
    pins = probe_called("C 10/60")  # on a meter of 1 % standard uncertainty
    found = judge_resistor(
        pins, readings(pins.name, [ohm] * 3), rig=RIG, nominal=1e6, tolerance=0.01
    )
    assert found.outcome is outcome
    assert is_json(found.content)


# Touch


def at_rest() -> dict[str, list[Reading]]:
    return {
        "C 10/60": readings("C 10/60", [1e9, 1.02e9, 1e9, 1.01e9]),
        "C 30/60": readings("C 30/60", [2e9, 2.02e9, 2e9, 2.01e9]),
        "T core": readings("T core", [20.0, 20.05, 20.0, 20.05]),
        "high float": readings("high float", [0.0] * 4),
    }


def touch(name: str, **after: list[float | None]) -> Finding:
    names = {other.replace(" ", "_").replace("/", "_"): other for other in at_rest()}
    since = at_rest() | {names[key]: readings(names[key], raws) for key, raws in after.items()}
    found = judge_touch(probe_called(name), at_rest(), since, rig=RIG)
    assert is_json(found.content)
    return found


def test_the_touched_channel_alone_moves() -> None:
    found = touch("C 10/60", C_10_60=[1e9, 2e6, 3e6])
    assert found.outcome is GOOD
    assert found.content["moved"] == "C 10/60"
    changes = found.content["changes"]
    assert isinstance(changes, dict)
    # The farthest, from the median at rest; of logarithms that is a geometric mean.
    assert changes["C 10/60"] == pytest.approx(log(2e6 / sqrt(1e9 * 1.01e9)), rel=1e-3)


def test_a_channel_that_does_not_move_is_bad() -> None:
    found = touch("C 10/60")
    assert (found.outcome, found.content["moved"]) == (BAD, None)
    assert "Nothing moved" in found.says


def test_a_channel_that_fell_silent_is_not_said_to_have_been_still() -> None:
    found = touch("C 10/60", C_10_60=[1e9, None, None])
    assert found.outcome is BAD
    assert found.says.startswith("It was not seen to move, but 2 of 3 polls brought nothing")
    lost = judge_float(readings("high float", [0.0, 0.0, None, None, None]))
    assert lost.outcome is BAD
    assert lost.says.startswith("It was seen down, but 3 of 5 polls brought nothing")


def test_leads_that_are_joined_are_not_told_to_be_damp() -> None:
    found = judge_open(probe_called("C 10/60"), readings("C 10/60", [48.0] * 3), rig=RIG)
    assert found.outcome is BAD
    assert "A bridge is still on" in found.says
    assert "moisture" not in found.says


def test_swapped_plugs_are_told_by_who_moved_instead() -> None:
    found = touch("C 10/60", C_30_60=[2e6])
    assert found.outcome is BAD
    assert found.content["moved"] == "C 30/60"
    assert "C 30/60 moved instead" in found.says


def test_another_channel_that_moves_too_is_bad() -> None:
    found = touch("high float", high_float=[0.0, 1.0, 0.0], T_core=[25.0])
    assert found.outcome is BAD
    assert "T core" in found.says


@pytest.mark.parametrize(("share", "outcome"), [(0.01, GOOD), (0.04, BAD)])
def test_pins_that_come_along_by_more_than_a_share_are_cross_talk(
    share: float, outcome: Outcome
) -> None:
    own = log(2e5 / 1.005e9)  # -8.5: a share of 4 % is 0.34, of three sigmas 0.15
    along = 2.005e9 * exp(share * own)
    found = touch("C 10/60", C_10_60=[2e5], C_30_60=[along])
    assert found.outcome is outcome
    shares = found.content["shares"]
    assert isinstance(shares, dict)
    assert shares["C 30/60"] == pytest.approx(share, rel=0.1)
    assert found.content["cross_talk"] == (["C 30/60"] if outcome is BAD else [])


def test_one_touch_after_another_waits_only_for_the_channel_that_moved() -> None:
    """At 0.5 s a reading: rest for 5, the first pair touched, kept at 4 s, let go, the second."""
    first, second = [1e9] * 5 + [2e6] * 3 + [1e9] * 3, [2e9] * 8 + [2e9, 2e9, 3e5]
    every = {"C 10/60": readings("C 10/60", first), "C 30/60": readings("C 30/60", second)}

    def until(count: int) -> dict[str, list[Reading]]:
        return {name: of_one[:count] for name, of_one in every.items()}

    before, after = rested(until(8))
    assert [len(of_one) for of_one in before.values()] == [RESTING, RESTING]
    finding = judge_touch(probe_called("C 10/60"), before, after, rig=RIG)
    assert finding.outcome is GOOD
    assert finding.content["moving"] == ["C 10/60"]

    kept_ms = every["C 30/60"][7].utc_ms + 1
    entry = ProofEntry(
        1, kept_ms, "p", Step.TOUCH, "C 10/60", GOOD, "mk", finding.says, finding.content
    )
    before, after = rested(every, [entry])
    assert len(before["C 30/60"]) == RESTING  # the last ones before the touch was kept
    assert [reading.raw for reading in after["C 30/60"]] == [2e9, 2e9, 3e5]
    assert after["C 10/60"] == []  # it still comes to rest, and nobody waits for it
    finding = judge_touch(probe_called("C 30/60"), before, after, rig=RIG)
    assert (finding.outcome, finding.content["moving"]) == (GOOD, ["C 30/60"])


def test_a_cloth_that_is_taken_off_late_is_no_touch() -> None:
    """It lay on the first pair until that was at rest wet, and is taken off for the second."""
    first, second = [1e9] * 5 + [2e6] * 9 + [1e9] * 3, [2e9] * 14 + [2e9, 2e9, 3e5]
    every = {"C 10/60": readings("C 10/60", first), "C 30/60": readings("C 30/60", second)}
    moved = touch("C 10/60", C_10_60=[2e6])
    kept = ProofEntry(
        1, every["C 10/60"][7].utc_ms + 1, "p", Step.TOUCH, "C 10/60", GOOD, "mk", "", moved.content
    )
    before, after = rested(every, [kept])
    pair = probe_called("C 30/60")
    assert judge_touch(pair, before, after, rig=RIG).outcome is BAD  # knowing of no earlier touch
    finding = judge_touch(pair, before, after, rig=RIG, touches=[kept])
    assert (finding.outcome, finding.content["moving"]) == (GOOD, ["C 30/60"])
    # Touched anew it goes the same way again, and counts.
    wet = after | {"C 10/60": readings("C 10/60", [1e5])}
    finding = judge_touch(pair, before, wet, rig=RIG, touches=[kept])
    assert finding.content["also"] == ["C 10/60"]


def test_a_touch_in_free_order_names_the_channel_that_moved_most() -> None:
    since = at_rest() | {"T core": readings("T core", [21.0]), "high float": at_rest()["T core"]}
    since["high float"] = readings("high float", [1.0])
    found = movements(at_rest(), since, rig=RIG)
    assert moved_most(found) == "high float"  # twice its least change; the temperature 1.95 times
    assert moved_most(movements(at_rest(), at_rest(), rig=RIG)) is None


def test_the_slowest_channel_says_how_long_a_look_at_all_takes() -> None:
    slow = [
        replace(reading, utc_ms=START_MS + 24_000 * place)
        for place, reading in enumerate(readings("C 10/60", [1e9, None, 1e9]))
    ]
    assert slowest(at_rest()) == 0.5
    assert slowest(at_rest() | {"C 10/60": slow}) == 24.0
    assert slowest({"T core": readings("T core", [20.0])}) == 0.0


def test_two_sensors_of_one_chip_may_move_together() -> None:
    air = replace(probe_called("RH room"), name="RH")
    warmth = replace(probe_called("T core"), name="T", bay=None, depth=None, height=None)
    warmth = replace(warmth, place=air.place)
    rig = small_rig(probes=(air, warmth))

    def of(name: str, raws: list[float | None], like: str) -> list[Reading]:
        return [replace(reading, probe=name) for reading in readings(like, raws)]

    before = {"RH": of("RH", [50.0] * 3, "RH room"), "T": of("T", [20.0] * 3, "T core")}
    after = {"RH": of("RH", [80.0], "RH room"), "T": of("T", [25.0], "T core")}
    assert judge_touch(air, before, after, rig=rig).outcome is GOOD
    apart = small_rig(probes=(air, replace(warmth, place="air, dry face")))
    assert judge_touch(air, before, after, rig=apart).outcome is BAD


def test_too_few_readings_at_rest_judge_nothing() -> None:
    before = {"T core": readings("T core", [20.0, 20.0])}
    after = {"T core": readings("T core", [30.0])}
    found = judge_touch(probe_called("T core"), before, after, rig=RIG)
    assert found.outcome is BAD
    assert "Too few readings" in found.says


# Pour and float


def test_litres_that_agree_with_the_level_are_good() -> None:
    found = judge_pour(TRAY, [(0, -0.5), (10, 25.5), (20, 49.5), (30, 75)], uncertainty=1.0)
    assert found.outcome is GOOD
    assert is_json(found.content)
    # Computed: 0.4 L/mm, residuals 0 (held at the floor), +0.2, -0.2, 0 L.
    assert found.content["rms"] == pytest.approx(sqrt(0.08 / 4))


def test_a_level_with_a_wrong_zero_is_bad_and_the_mending_line_is_told() -> None:
    points = [(litres, litres / 0.4 + 5.0) for litres in (0.0, 10.0, 20.0)]
    found = judge_pour(TRAY, points, uncertainty=1.0)
    assert found.outcome is BAD
    assert found.content["zero"] == pytest.approx(-5.0)
    assert found.content["slope"] == pytest.approx(1.0)
    assert "zero of -5.0 mm" in found.says


def test_a_level_with_a_wrong_slope_is_told_as_one() -> None:
    points = [(litres, 1.1 * litres / 0.4) for litres in (0.0, 20.0, 40.0)]
    found = judge_pour(TRAY, points, uncertainty=1.0)
    assert found.outcome is BAD
    assert found.content["slope"] == pytest.approx(1 / 1.1)
    assert found.content["zero"] == pytest.approx(0.0, abs=1e-9)


def test_a_level_that_does_not_follow_the_litres_is_not_to_be_mended_by_a_slope() -> None:
    for levels in (
        (5.0, 5.0, 5.0),
        (0.2, 0.2, 0.3),
        (80.0, 40.0, 1.0),
    ):  # stuck, or wrong way round
        found = judge_pour(TRAY, [*zip((0.0, 10.0, 20.0), levels, strict=True)], uncertainty=1.0)
        assert found.outcome is BAD
        assert "does not follow the litres" in found.says
        assert "slope" not in found.says


def test_twice_the_levels_uncertainty_is_allowed_where_the_litres_are_few() -> None:
    def last(litres: float) -> Outcome:
        points = [(0.0, 0.0), (5.0, 12.5), (10.0, litres / 0.4)]
        return judge_pour(TRAY, points, uncertainty=1.0).outcome

    assert last(10.79) is GOOD  # 2 mm are 0.8 L
    assert last(10.81) is BAD


def test_a_level_off_the_table_is_bad() -> None:
    found = judge_pour(TRAY, [(0, 0), (10, 25), (50, 160)], uncertainty=1.0)
    assert found.outcome is BAD
    assert "outside the depth table" in found.says


@pytest.mark.parametrize(
    "points", [[(0, 0), (10, 25)], [(0, 0), (10, 25), (10, 25)], [(0, 0), (10, 25), (70, 150)]]
)
def test_points_that_judge_nothing_are_refused(points: list[tuple[float, float]]) -> None:
    with pytest.raises(PhysicsError):
        judge_pour(TRAY, points, uncertainty=1.0)


@pytest.mark.parametrize(
    ("states", "outcome", "words"),
    [
        ([0, 0, 1, 1, 0], GOOD, "down, up, and down"),
        ([0, 0, 0], BAD, "stayed down"),
        ([0, 1, 1], BAD, "did not come down"),
        ([1, 0, 1, 0], BAD, "up before"),
        ([0, 1, 0, 1, 0], BAD, "changed 4 times"),
        ([None], BAD, "No reading"),
    ],
)
def test_a_float_is_seen_down_up_and_down(
    states: list[float | None], outcome: Outcome, words: str
) -> None:
    found = judge_float(readings("high float", states))
    assert found.outcome is outcome
    assert words in found.says
