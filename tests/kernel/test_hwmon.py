"""Chips with a hwmon driver, on a real kernel."""

import json
from typing import Any

import pytest

Told = dict[str, dict[str, Any]]


def test_two_chips_of_one_name_are_read_and_told_apart(told: Told) -> None:
    first, second = told["lm75"]["seats"]
    assert told["lm75"]["said"] == {
        "first": [21.5, "Cel"],
        "second": [-10.5, "Cel"],
        "either": f"no answer: 2 chips are called lm75, at {first}, {second}: say which is meant "
        "with seat in the probe's address",
    }
    assert told["lm75 warmer"]["said"] == {"first": [25.0, "Cel"]}


def test_a_chip_taken_away_is_missing_and_found_again_under_another_number(told: Told) -> None:
    facts = told["lm75 away and back"]
    first, second = told["lm75"]["seats"]
    assert facts["one_away"] == {
        "first": f"no answer: no chip lm75 at {first}; there are: lm75 at {second}. Check its "
        "wires and its supply",
        "second": [-10.5, "Cel"],
    }
    assert [text.split(";")[0] for text in facts["none"].values()] == [
        f"no answer: no chip lm75 at {first}",
        f"no answer: no chip lm75 at {second}",
    ]
    assert facts["back"] == {"first": [25.0, "Cel"], "second": [-10.5, "Cel"]}
    before, after = facts["numbers"]
    assert after == before[::-1] != before, "the kernel was to give the numbers the other way"


def test_a_chip_that_comes_and_goes_between_reads_never_gives_another_value(told: Told) -> None:
    facts = told["lm75 while it comes and goes"]
    seen = [json.loads(text) for text in facts["seen"]]
    assert {"first": [25.0, "Cel"], "second": [-10.5, "Cel"]} in seen
    for poll in seen:
        assert poll["second"] == [-10.5, "Cel"]
        assert poll["first"] == [25.0, "Cel"] or poll["first"].startswith("no answer: ")
    assert len(seen) > 1
    assert facts["after"] == {"first": [25.0, "Cel"]}


def test_a_humidity_chip_is_read_in_per_cent_and_degrees(told: Told) -> None:
    # The chip's numbers have 16 bits over 100 % and over 175 degrees: 0.0027 degrees a step.
    facts = told["sht3x"]
    for when, humidity, temperature in (
        ("there", 64.25, 21.5),
        ("changed", 97.5, -3.0),
        ("back", 97.5, -3.0),
    ):
        assert facts[when]["humidity"] == [pytest.approx(humidity, abs=0.005), "%"]
        assert facts[when]["temperature"] == [pytest.approx(temperature, abs=0.005), "Cel"]


def test_a_chip_whose_bus_hangs_is_missing_in_seconds(told: Told) -> None:
    facts = told["sht3x hangs"]
    assert facts["hung"]["humidity"].startswith("no answer: reading sht3x humidity1: ")
    assert facts["took"] < 10
    assert facts["after"]["humidity"] == [pytest.approx(97.5, abs=0.005), "%"]


def test_a_chip_that_no_longer_acknowledges_is_missing(told: Told) -> None:
    silent = told["sht3x"]["silent"]
    assert silent["humidity"].startswith("no answer: reading sht3x humidity1: ")
    assert silent["temperature"].startswith("no answer: reading sht3x temp1: ")
