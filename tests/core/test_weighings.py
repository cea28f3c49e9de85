"""The specimen on a scale: what it weighs alone, how well that is known, and what is refused."""

from collections.abc import Sequence
from dataclasses import replace
from statistics import stdev
from typing import Any

import pytest
from scipy import stats

from longsoak.core.logbook import check_entry
from longsoak.core.weighings import Weighing, remarks, weighing_content, weighing_words, weighings
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import WEIGHING, LogbookEntry

NOW_MS = 1_790_000_000_000


def entry(readings: Sequence[float] = (812.4, 812.6, 812.5), **more: Any) -> LogbookEntry:
    said: dict[str, Any] = {"scale": "hoist", "pump_off": True, "drained_min": 20.0, **more}
    return LogbookEntry(
        asked_utc_ms=NOW_MS, at_utc_ms=NOW_MS, by="mk", says="By the hoist", kind=WEIGHING,
        content=weighing_content(readings, **said), number=1,
    )  # fmt: skip


def weighed(*args: Any, **more: Any) -> Weighing:
    (found,) = weighings([entry(*args, **more)])
    return found


def test_the_mass_is_without_tare_and_gear_and_with_what_hanging_it_up_again_made() -> None:
    found = weighed(tare=1.5, gear=14.2, offset=0.3)
    assert found.mass == pytest.approx(812.5 - 1.5 - 14.2 + 0.3)
    assert weighing_words(weighed()) == "812.50 ± 0.25 kg, pump off, drained 20 min"


@pytest.mark.parametrize("readings", [(812.4, 812.6, 812.5), (10.0, 10.1, 10.3, 9.9, 10.2)])
def test_twice_the_uncertainty_is_the_interval_of_the_mean_by_student(
    readings: tuple[float, ...],
) -> None:
    """Against scipy: t of n - 1 degrees of freedom times the standard error of the mean."""
    n = len(readings)
    half = stats.t.ppf(0.975, n - 1) * stdev(readings) / n**0.5
    assert 2 * weighed(readings).uncertainty == pytest.approx(half)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"readings": (812.4, 812.6)}, "A weighing has 3 readings or more: lift it anew"),
        ({"readings": (1.0, 2.0, -1.0)}, "A reading of a scale is 0 to 20000 kg"),
        ({"scale": ""}, "Say which scale, in a line of up to 120 characters"),
        ({"gear": 900.0}, "Tare and gear weigh more than what hung on the scale"),
        ({"drained_min": -1.0}, "It drained for 0 to 1440 minutes before"),
    ],
)
def test_what_can_t_be_is_refused_in_a_sentence(change: dict[str, Any], says: str) -> None:
    check_entry(entry())
    with pytest.raises(RequestError) as told:
        check_entry(entry(**change))
    assert str(told.value).startswith(says)
    assert str(told.value).endswith("Nothing was kept.")


def test_it_is_about_the_rig_and_counts_until_it_is_corrected() -> None:
    assert weighings([replace(entry(), corrected_by=(2,))]) == []


def test_weighings_that_can_t_be_held_against_each_other_are_told() -> None:
    assert remarks([weighed(), weighed()]) == []
    odd = [weighed(), weighed(pump_off=False, drained_min=0.0), weighed(scale="platform")]
    assert len(remarks(odd)) == 3
