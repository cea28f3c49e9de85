"""A converter with an IIO driver, on a real kernel."""

from typing import Any

import pytest

Told = dict[str, dict[str, Any]]


def test_two_converters_of_one_name_are_read_and_told_apart(told: Told) -> None:
    facts = told["ads1015"]
    first, second = facts["seats"]
    assert facts["described"] == f"converter ads1015 at {first}"
    # 1 mV a count at the range the chip starts with, 2.048 V.
    assert facts["said"]["level"] == [1000.0, "mV"]
    assert facts["other"] == {"level": [-500.0, "mV"]}
    assert f"2 converters are called 'ads1015', at {first}, {second}" in facts["either"]


def test_pins_behind_a_divider_are_read_in_ohms(told: Told) -> None:
    # 2.5 V across the pins and, to ground, 1 MOhm beside an input of 6 MOhm; 1 V there.
    low = 1 / (1 / 1e6 + 1 / 6e6)
    assert told["ads1015"]["said"]["pins"] == [pytest.approx(low * (2.5 - 1) / 1), "Ohm"]


def test_a_channel_the_converter_has_not_is_missing(told: Told) -> None:
    assert told["ads1015"]["said"]["none"] == "no answer: ads1015 has no channel voltage9"


def test_an_input_beyond_its_range_is_no_value(told: Told) -> None:
    for got in told["ads1015 beyond its range"]["said"].values():
        assert got.startswith("unreadable: its input is beyond its range: it counted 2047")


def test_converters_taken_away_are_lost_buses_and_found_again_by_their_seats(told: Told) -> None:
    facts = told["ads1015 away and back"]
    first, second = told["ads1015"]["seats"]
    assert f"the converter 'ads1015' at {first} is gone" in facts["away"]["bus"]
    assert f"no converter is called 'ads1015' at {first}" in facts["refused"]
    # They came back in the other order, so each had the other's number.
    for held, seat in zip(facts["held"], (first, second), strict=True):
        assert f"the converter 'ads1015' at {seat} is gone" in held["bus"]
    assert facts["again"] == [{"level": [1500.0, "mV"]}, {"level": [-500.0, "mV"]}]
