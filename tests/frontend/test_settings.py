"""Mistakes in the firmware's settings: every one at once, each in one sentence."""

import sys
from collections.abc import Callable, Iterator
from importlib import import_module
from types import ModuleType

import pytest

from frontend.guide import FOLDER


class Firmware:
    """`settings` and the function that looks for mistakes in it; both are plain Python."""

    def __init__(self) -> None:
        self.settings: ModuleType = import_module("settings")
        self.mistakes: Callable[[], list[str]] = import_module("checking").mistakes


@pytest.fixture
def firmware(monkeypatch: pytest.MonkeyPatch) -> Iterator[Firmware]:
    monkeypatch.syspath_prepend(str(FOLDER))
    yield Firmware()
    for name in ("settings", "checking"):
        del sys.modules[name]


def test_the_shipped_settings_are_good(firmware: Firmware) -> None:
    assert firmware.mistakes() == []


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("RANGES", (1e6, 1e5), "RANGES is (1000000.0, 100000.0), expected Ohm above 0, rising."),
        ("RANGES", (0, 1e5), "RANGES is (0, 100000.0), expected Ohm above 0, rising."),
        ("RANGES", (), "RANGES has 0 resistors, expected 1 to 8, as RANGE_ADDRESS has 3 lines."),
        ("SETTLE", (1,), "SETTLE has 1 times and RANGES 5 resistors, expected one time for each."),
        ("SUPPLY", 0, "SUPPLY is 0, expected more than 0."),
        ("SERIES", -1, "SERIES is -1, expected 0 Ohm or more."),
        (
            "DRIVE",
            2,
            "GPIO 2 is in PAIR_ADDRESS and DRIVE, expected in one setting and there once.",
        ),
        ("BANKS", (6, 6), "GPIO 6 is in BANKS and BANKS, expected in one setting and there once."),
    ],
)
def test_a_wrong_setting_is_told_with_what_was_expected(
    firmware: Firmware, name: str, value: object, says: str
) -> None:
    setattr(firmware.settings, name, value)
    assert says in firmware.mistakes()


def test_every_mistake_in_the_channels_is_told_at_once(
    firmware: Firmware, monkeypatch: pytest.MonkeyPatch
) -> None:
    channels = {
        "REF": (0, 13),
        "OPEN": (0, 13),
        "P 1": (0, 0),
        "P1.emf": (0, 1),
        "P2": (2, 2),
        "P3": (1, 16),
    }
    monkeypatch.setattr(firmware.settings, "CHANNELS", channels)
    letters = "expected letters, digits, _ . and -, at most 20, not ending in .emf."
    assert firmware.mistakes() == [
        "CHANNELS has no SHORT: every scan needs REF, OPEN and SHORT.",
        f"CHANNELS has the name 'P 1', {letters}",
        f"CHANNELS has the name 'P1.emf', {letters}",
        "CHANNELS has P2 in bank 2, expected 0 to 1.",
        "CHANNELS has P3 at 16, expected 0 to 15.",
        "CHANNELS has OPEN and REF in bank 0 at 13: give each its own.",
    ]
