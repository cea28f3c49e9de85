"""A mould index over months of hourly means: with what probes are off by, and over gaps."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.findings.mouldcourse import MouldCourse, highest_in, mould_course
from longsoak.core.mould import Decline, MouldState, Sensitivity, step
from longsoak.vocabulary.errors import PhysicsError

HOUR = 3_600_000  # ms
VERY, SENSITIVE = Sensitivity.VERY_SENSITIVE, Sensitivity.SENSITIVE


def course(
    rh: list[float],
    *,
    t: float = 20.0,
    u_t: float = 0.25,
    u_rh: float = 1.5,
    material: Sensitivity = VERY,
    decline: Decline | None = Decline.SIGNIFICANT,
    bounds: list[bool] | None = None,
) -> MouldCourse:
    n = len(rh)
    return mould_course(
        [t] * n,
        humidities=rh,
        temperature_uncertainties=[u_t] * n,
        humidity_uncertainties=[u_rh] * n,
        bounds=bounds,
        material=material,
        decline=decline,
    )


# Computed by hand from the model's equations as core/mould.py cites them (Hukka and Viitanen 1999,
# Ojanen et al. 2010; second hand). Steady 20 degC and 95 %, class very sensitive, k1 = 1:
# weeks to index 1 = exp(-0.68 ln 20 - 13.9 ln 95 + 66.02) = exp(-2.03710 - 63.29868 + 66.02)
#   = exp(0.68422) = 1.98223, so 0.0030029 an hour while far from the highest index;
# critical % at 20 degC: -0.00267 * 8000 + 0.160 * 400 - 3.13 * 20 + 100 = 80.04;
# x = (80.04 - 95)/(80.04 - 100) = 0.74950, highest index 1 + 7x - 2x2 = 5.12299;
# k2 at index 0: 1 - exp(-2.3 * 5.12299) = 0.99999. Over 100 h: 0.30029 to 0.0001.
def test_a_course_in_steady_air_is_the_growth_worked_out_by_hand() -> None:
    weeks = math.exp(-0.68 * math.log(20) - 13.9 * math.log(95) + 66.02)
    found = course([95.0] * 100)
    assert found.index[100] == pytest.approx(100 / (168 * weeks), abs=1e-4)
    assert found.index[100] == pytest.approx(0.30029, abs=2e-4)
    assert len(found.index) == 101
    assert found.index[0] == 0


def test_what_the_probes_are_off_by_all_along_is_in_the_uncertainty() -> None:
    def end(rh: float, t: float) -> float:
        state = step(MouldState(), temperature=t, relative_humidity=rh, hours=500, material=VERY)
        return state.index

    middle = end(95, 20)
    humid = max(abs(end(96.5, 20) - middle), abs(end(93.5, 20) - middle))
    warm = max(abs(end(95, 20.25) - middle), abs(end(95, 19.75) - middle))
    found = course([95.0] * 500)
    assert found.index[-1] == pytest.approx(middle, abs=1e-9)
    assert found.uncertainty[-1] == pytest.approx(math.hypot(humid, warm), abs=1e-9)
    assert humid > 0.1
    # At the edge of growth only one of the two signs moves it: the larger change counts.
    edge = course([79.5] * 500)
    assert (edge.index[-1], edge.uncertainty[-1] > 0) == (0.0, True)


def test_over_a_gap_the_index_stays_and_may_have_grown_or_fallen() -> None:
    gap = [math.nan] * 48
    found = course([95.0] * 400 + gap + [95.0] * 10)
    before, after = found.index[400], found.index[448]
    assert after == before
    grown = step(MouldState(before), temperature=20, relative_humidity=100, hours=48, material=VERY)
    fallen = step(MouldState(before), temperature=20, relative_humidity=0, hours=48, material=VERY)
    assert found.most[448] == pytest.approx(grown.index, abs=1e-9)
    assert found.least[448] == pytest.approx(fallen.index, abs=1e-9)
    assert found.least[448] < before < found.most[448]
    assert found.most[400] == found.least[400] == before
    assert found.known.tolist() == [True] * 400 + [False] * 48 + [True] * 10


def test_a_mean_that_is_only_a_bound_opens_the_bounds_and_leaves_the_index() -> None:
    plain = course([95.0] * 100)
    found = course([95.0] * 100, bounds=[False] * 50 + [True] * 50)
    assert found.index.tolist() == plain.index.tolist()
    assert found.most[100] > plain.index[100] > found.least[100]
    assert found.most[50] == found.least[50] == plain.index[50]


def test_a_decline_that_is_not_declared_is_taken_as_slow_and_the_least_as_fast() -> None:
    rh = [95.0] * 400 + [40.0] * 300
    unsaid, slow, fast = (
        course(rh, decline=each) for each in (None, Decline.ALMOST_NONE, Decline.SIGNIFICANT)
    )
    assert unsaid.index.tolist() == unsaid.most.tolist() == slow.index.tolist()
    assert unsaid.least.tolist() == fast.index.tolist()
    assert fast.index[-1] < slow.index[-1]


@given(st.lists(st.one_of(st.just(math.nan), st.floats(60, 100)), min_size=1, max_size=120))
def test_the_index_lies_between_the_least_and_the_most(rh: list[float]) -> None:
    found = course(rh, decline=None)
    slack = 6 * 0.032 / 24 + 1e-9  # 6 h of the fast decline, which an hour of growth begins anew
    assert (found.least <= found.index + slack).all()
    assert (found.index <= found.most + slack).all()
    assert (found.most <= 6).all()
    assert (found.least >= 0).all()


def test_probes_that_read_beyond_what_air_can_be_are_taken_at_its_end() -> None:
    assert course([101.0] * 50).index.tolist() == course([100.0] * 50).index.tolist()
    assert course([95.0] * 50, t=70.0).index[-1] == 0.0


def test_a_window_has_its_highest_index_and_none_where_half_of_it_was_not_read() -> None:
    rh = [95.0] * 48 + [40.0] * 24 + [math.nan] * 13 + [40.0] * 11
    found = course(rh)
    days = highest_in(found, begins=0, length=HOUR, edges=[n * 24 * HOUR for n in range(5)])
    assert days.values[0] == found.index[24]
    assert days.values[1] == found.index[48]
    assert days.values[2] == found.index[48]  # it only fell: highest where the day began
    assert np.isnan(days.values[3])
    assert days.uncertainties[1] == found.uncertainty[48]
    half = highest_in(found, begins=0, length=HOUR, edges=[0, HOUR // 2, HOUR])
    assert half.values.tolist() == [found.index[1]] * 2
    with pytest.raises(PhysicsError, match="edges"):
        highest_in(found, begins=0, length=HOUR, edges=[0, 97 * HOUR])


def test_after_a_gap_a_window_tells_the_most_and_the_least_it_can_be() -> None:
    found = course([95.0] * 24 + [math.nan] * 24 + [40.0] * 24)
    day = highest_in(found, begins=0, length=HOUR, edges=[48 * HOUR, 72 * HOUR])
    assert day.most[0] == found.most[48:].max() > day.values[0] > day.least[0]


@pytest.mark.parametrize(
    ("changes", "argument"),
    [
        ({"humidities": [90.0]}, "humidities"),
        ({"hours": 0.0}, "hours"),
        ({"humidity_uncertainties": [math.nan, 1.0]}, "humidity_uncertainties"),
        ({"temperature_uncertainties": [-1.0, 1.0]}, "temperature_uncertainties"),
        ({"temperatures": "warm"}, "temperatures"),
    ],
)
def test_what_is_no_course_is_refused(changes: dict[str, object], argument: str) -> None:
    said: dict[str, object] = {
        "temperatures": [20.0, 20.0],
        "humidities": [90.0, 90.0],
        "temperature_uncertainties": [0.2, 0.2],
        "humidity_uncertainties": [1.0, 1.0],
        **changes,
    }
    with pytest.raises(PhysicsError) as caught:
        mould_course(said.pop("temperatures"), material=VERY, **said)  # type: ignore[arg-type]  # bad on purpose
    assert caught.value.argument == argument
