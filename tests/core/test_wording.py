"""How things are put into words."""

import pytest

from longsoak.core.wording import (
    age_words,
    ago_words,
    bound_words,
    ohm_words,
    rfc3339,
    time_words,
    value_words,
)
from longsoak.vocabulary.flags import Reason
from longsoak.vocabulary.rig import Kind


@pytest.mark.parametrize(
    ("kind", "value", "reason", "words"),
    [
        (Kind.PINS, 17.84, Reason.NONE, "17.8"),
        (Kind.PINS, 25.0, Reason.WETTER_THAN_CURVE, "> 25.0"),
        (Kind.PINS, 7.0, Reason.DRIER_THAN_CURVE, "< 7.0"),
        (Kind.PINS, 25.0, Reason.SHORT_CIRCUIT, "> 25.0"),
        (Kind.PINS, None, Reason.NO_ANSWER, "none"),
        (Kind.FLOAT, 1.0, Reason.NONE, "up"),
        (Kind.FLOAT, 0.0, Reason.NONE, "down"),
        (Kind.LEVEL, 71.6, Reason.NONE, "72"),
        (Kind.FLOW, 0.376, Reason.NONE, "0.38"),
        (Kind.PUMP_CURRENT, 0.4, Reason.NONE, "0.40"),
        (Kind.REFERENCE, 1.002e7, Reason.NONE, "10.02 M"),
    ],
)
def test_values(kind: Kind, value: float | None, reason: Reason, words: str) -> None:
    assert value_words(kind, value, reason) == words


@pytest.mark.parametrize(
    ("kind", "value", "reason", "words"),
    [
        (Kind.PINS, 25.0, Reason.WETTER_THAN_CURVE, "at least"),
        (Kind.PINS, 25.0, Reason.SHORT_CIRCUIT, "at least"),
        (Kind.PINS, 7.0, Reason.DRIER_THAN_CURVE, "at most"),
        (Kind.PINS, 7.0, Reason.OVER_RANGE, "at most"),
        (Kind.PINS, None, Reason.OVER_RANGE, None),
        (Kind.PINS, 17.8, Reason.STAND_IN_TEMPERATURE, None),
        (Kind.REFERENCE, 0.4, Reason.SHORT_CIRCUIT, None),  # a resistance is what was measured
    ],
)
def test_only_a_moisture_content_is_a_bound(
    kind: Kind, value: float | None, reason: Reason, words: str | None
) -> None:
    assert bound_words(kind, value, reason) == words


@pytest.mark.parametrize(
    ("ohm", "words"), [(9.9e37, "open"), (412e3, "412 k"), (2.24e10, "22.4 G"), (0.0, "0")]
)
def test_resistances(ohm: float, words: str) -> None:
    assert ohm_words(ohm) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (-1, "0 s"), (38, "38 s"), (120, "2 min"), (3599, "1 h 00"), (7800, "2 h 10"),
        (259200, "3 days"),
    ],
)  # fmt: skip
def test_ages(seconds: float, words: str) -> None:
    assert age_words(seconds) == words
    assert ago_words(seconds) == f"{words} ago"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(-2.5, "2 s ahead"), (-60, "60 s ahead"), (-7800, "2 h 10 ahead"), (-259200, "3 days ahead")],
)
def test_what_lies_ahead_of_the_clock_is_not_told_as_just_now(seconds: float, words: str) -> None:
    assert age_words(seconds) == words
    assert ago_words(seconds) == f"{words} of the clock"


def test_times_are_utc() -> None:
    assert rfc3339(1_900_000_000_123) == "2030-03-17T17:46:40.123Z"
    assert rfc3339(-62_135_596_800_000) == "0001-01-01T00:00:00.000Z"
    assert time_words(1_900_000_000_123) == "17 Mar 2030, 17:46:40 UTC"
