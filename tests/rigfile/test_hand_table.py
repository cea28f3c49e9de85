"""What a rig file declares of readings by hand: as it comes out, and what is said of it."""

from dataclasses import replace

import pytest

from longsoak.core.handrulewords import rule_words
from longsoak.rigfile.load import parse
from longsoak.vocabulary.errors import RigFileError
from longsoak.vocabulary.handrule import DEPTH_WITHIN, HEIGHT_WITHIN, HandRule, Wins
from longsoak.vocabulary.rig import Rig
from rigfile.fake_kinds import HERE, find_kind

GOOD = (HERE / "good.toml").read_text(encoding="utf-8")
PLAIN = GOOD.partition("\n[hand_readings")[0]
RULE = HandRule(Wins.HAND, 2.0)


def rig(text: str) -> Rig:
    return parse(PLAIN + text, file="rig.toml", find_kind=find_kind)


def test_nothing_is_declared_unless_somebody_does() -> None:
    assert rig("").hand_rule is None


@pytest.mark.parametrize("wins", list(Wins))
def test_what_wins_and_by_how_much_two_may_differ_is_enough(wins: Wins) -> None:
    found = rig(f'\n[hand_readings]\nwins = "{wins}"\ntolerance = 1.5\n').hand_rule
    assert found == HandRule(wins, 1.5, DEPTH_WITHIN, HEIGHT_WITHIN, {})


def test_places_and_scales_are_as_written_and_a_scale_by_any_writing_of_its_name() -> None:
    found = rig(
        '\n[hand_readings]\nwins = "neither"\ntolerance = 2\ndepth_within = 3\nheight_within = 40\n'
        'scales = { "Group  1" = "Douglas-fir (coast)" }\n'
    ).hand_rule
    assert found == HandRule(Wins.NEITHER, 2.0, 3.0, 40.0, {"group 1": "Douglas-fir (coast)"})


@pytest.mark.parametrize("key", ["wins", "tolerance"])
def test_what_is_left_out_is_told(key: str) -> None:
    lines = ['wins = "hand"', "tolerance = 2"]
    text = "\n".join(["\n[hand_readings]", *(line for line in lines if not line.startswith(key))])
    with pytest.raises(RigFileError, match=rf"hand_readings\.{key} is missing"):
        rig(f"{text}\n")


def test_it_is_told_in_a_sentence() -> None:
    assert rule_words(RULE) == (
        "where hand and pins differ the value by hand counts; up to 2 % they agree; a place is "
        "that of pins within 5 mm of depth and 30 mm of height"
    )
    assert rule_words(replace(RULE, scales={"fir": "Sitka spruce"})).endswith(
        "; the scale fir is the curve Sitka spruce"
    )
