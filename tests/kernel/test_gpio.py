"""GPIO lines through libgpiod, on a real kernel. The chip is one that can't debounce by itself."""

from typing import Any

import pytest

Told = dict[str, dict[str, Any]]


def test_a_float_is_read_and_a_touch_of_it_does_not_count(told: Told) -> None:
    facts = told["float"]
    assert facts["described"] == "2 lines of /dev/gpiochip0"
    assert facts["low"] == facts["touched"] == {"float": [1.0, "1"]}  # low is its active level
    assert facts["high"] == {"float": [0.0, "1"]}


def test_a_float_that_bounces_has_no_value(told: Told) -> None:
    got = told["float bounces"]["bouncing"]["float"]
    assert isinstance(got, str)
    assert got.startswith("unreadable: it changed ")


def test_lines_that_can_not_be_had_are_told_in_a_sentence(told: Told) -> None:
    facts = told["float"]
    assert "its lines 0, 3 can't be taken (Device or resource busy)" in facts["taken"]
    assert "its line 8 can't be taken (line offset of out range)" in facts["no_line"]
    assert "no GPIO chip has the label 'pinctrl'; there are: cp2112_gpio (" in facts["no_chip"]


@pytest.mark.parametrize("when", ["flow", "flow, more than the kernel keeps"])
def test_a_flow_meters_frequency_is_that_of_its_pulses(told: Told, when: str) -> None:
    # Against the times at which the line did rise; the interpreted processor is not even, and of
    # more pulses than were kept the last ones give the frequency.
    assert told[when]["said"]["flow"] == [pytest.approx(told[when]["true"], rel=0.1), "Hz"]


def test_a_flow_meter_that_stands_still_is_zero(told: Told) -> None:
    assert told["flow"]["still"] == told["flow"]["after"] == {"flow": [0.0, "Hz"]}


def test_a_chip_that_hangs_is_a_lost_bus_in_seconds(told: Told) -> None:
    facts = told["gpio hangs"]
    assert "reading it failed" in facts["hung"]["bus"]
    assert facts["took"] < 15  # twice or thrice what the kernel waits for a HID device: 5 s
    assert facts["again"] == {"flow": [0.0, "Hz"]}


def test_a_chip_that_is_pulled_is_a_lost_bus_and_found_again_by_its_label(told: Told) -> None:
    facts = told["chip pulled"]
    assert "reading it failed" in facts["gone"]["bus"]
    assert facts["refused"].startswith("no GPIO chip has the label 'cp2112_gpio'; there are: none")
    assert facts["again"] == {"float": [1.0, "1"], "flow": [0.0, "Hz"]}
