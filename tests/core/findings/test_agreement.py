"""What is said of embedded and hand readings, and how often its intervals hold the truth.

Every expected share is computed: it is what the interval states.
"""

import math
import pickle

import numpy as np
import pytest

from longsoak.core.findings.agreement import (
    Agreement,
    Pair,
    bias_by_depth,
    limits_from_repeats,
    limits_of_agreement,
    repeatability,
)
from longsoak.core.findings.estimate import Estimate
from longsoak.core.uptake import Undetermined
from longsoak.vocabulary.errors import PhysicsError

pytestmark = pytest.mark.long


def agreed(found: Agreement | Undetermined) -> Agreement:
    assert isinstance(found, Agreement), found.why
    return found


def drawn(
    random: np.random.Generator, *, places: int, repeats: int, between: float, within: float
) -> list[Pair]:
    """Pairs with a bias of 0.5 % MC, from truths that change."""
    own = 0.5 + between * random.standard_normal(places)
    truth = random.uniform(12.0, 24.0, (places, repeats))
    off = own[:, None] + within * random.standard_normal((places, repeats))
    return [
        Pair(float(truth[i, j] + off[i, j]), float(truth[i, j]), f"pin {i}", 20.0)
        for i in range(places)
        for j in range(repeats)
    ]


# Two standard deviations of the share that 1000 runs find of a true 95 % are 1.4 %.
@pytest.mark.parametrize(
    ("places", "repeats", "between", "least"),
    [
        (6, 1, 0.0, 0.936),
        (17, 1, 0.0, 0.936),
        # Pieced together of two variances; a limit's are held 95 to 99 %.
        (8, 5, 1.0, 0.936),
        (12, 3, 0.5, 0.936),
    ],
)
def test_intervals_hold_bias_and_limits_at_their_stated_rate(
    places: int, repeats: int, between: float, least: float
) -> None:
    random, runs, within = np.random.default_rng(places), 1000, 0.8
    held = np.zeros(3)
    spread = math.hypot(between, within)
    for _ in range(runs):
        pairs = drawn(random, places=places, repeats=repeats, between=between, within=within)
        found = agreed(limits_of_agreement(pairs))
        held += [
            found.bias.holds(0.5),
            found.lower.holds(0.5 - 1.96 * spread),
            found.upper.holds(0.5 + 1.96 * spread),
        ]
    assert (held / runs >= least).all(), held / runs
    assert (held / runs <= 0.99).all(), held / runs


def test_taken_for_independent_repeats_would_hold_the_bias_far_too_rarely() -> None:
    random, held = np.random.default_rng(3), 0
    for _ in range(300):
        pairs = drawn(random, places=8, repeats=5, between=1.0, within=0.3)
        naive = [Pair(pair.embedded, pair.hand, str(i)) for i, pair in enumerate(pairs)]
        held += agreed(limits_of_agreement(naive)).bias.holds(0.5)
    assert held / 300 < 0.75


def test_limits_from_repeats_hold_the_limits_of_single_readings() -> None:
    random, held = np.random.default_rng(5), np.zeros(2)
    sd = math.sqrt(0.6**2 + 0.5**2 + 0.9**2)
    for _ in range(1000):
        truth = 18.0 + random.standard_normal((10, 1))
        embedded = truth + 0.6 * random.standard_normal((10, 1))
        first = embedded + 0.5 * random.standard_normal((10, 3))
        second = truth + 0.9 * random.standard_normal((10, 2))
        found = agreed(limits_from_repeats(first.tolist(), hand=second.tolist()))
        held += [found.bias.holds(0.0), found.upper.holds(1.96 * sd)]
    assert (held / 1000 >= 0.936).all(), held / 1000


def test_few_places_are_undetermined_however_many_pairs_they_have() -> None:
    random = np.random.default_rng(1)
    found = limits_of_agreement(drawn(random, places=5, repeats=40, between=0.5, within=0.5))
    assert isinstance(found, Undetermined)
    assert found.why == (
        "5 places with pairs, and limits of agreement need at least 6: with fewer, a limit's own "
        "interval reaches past the bias"
    )


def test_readings_that_were_copied_are_no_agreement() -> None:
    copied = [Pair(float(v), float(v), f"pin {v}") for v in range(10, 20)]
    found = limits_of_agreement(copied)
    assert isinstance(found, Undetermined)
    assert "copied" in found.why


def test_a_bias_that_grows_with_the_reading_is_found() -> None:
    random = np.random.default_rng(2)
    truth = random.uniform(10.0, 25.0, 30)
    pairs = [
        Pair(1.2 * t + 0.3 * e, t, f"pin {i}")
        for i, (t, e) in enumerate(zip(truth, random.standard_normal(30), strict=True))
    ]
    found = agreed(limits_of_agreement(pairs))
    assert found.slope is not None
    assert found.slope.holds(0.2 / 1.1)  # 0.2 t over the mean of 1.2 t and t
    assert found.proportional
    flat = drawn(random, places=30, repeats=1, between=0.0, within=0.5)
    assert not agreed(limits_of_agreement(flat)).proportional


def test_a_slope_of_chance_is_called_proportional_one_time_in_twenty() -> None:
    random, said = np.random.default_rng(11), 0
    for _ in range(1000):
        # Both methods scatter alike, or the slope would be one of unequal scatter.
        truth = random.uniform(12.0, 24.0, 12)
        a, b = truth + random.standard_normal((2, 12))
        pairs = [
            Pair(float(x), float(y), str(i)) for i, (x, y) in enumerate(zip(a, b, strict=True))
        ]
        said += agreed(limits_of_agreement(pairs)).proportional
    assert 0.036 <= said / 1000 <= 0.064


def test_means_all_the_same_have_no_slope() -> None:
    pairs = [Pair(20.0 + d, 20.0 - d, str(d)) for d in (0.1, 0.2, 0.4, -0.3, -0.1, 0.05)]
    found = agreed(limits_of_agreement(pairs))
    assert found.slope is None
    assert not found.proportional


def test_repeats_with_no_variance_between_places_take_the_component_for_none() -> None:
    # Every place has the same two differences, so places differ by less than repeats explain.
    pairs = [
        Pair(18.0 + d, 18.0 + 0.1 * i, f"pin {i}")
        for i in range(8)
        for d in (1.0 + 0.1 * i, -1.0 + 0.1 * i)
    ]
    found = agreed(limits_of_agreement(pairs))
    assert found.between == 0.0
    assert found.within == pytest.approx(math.sqrt(2.0))
    assert found.spread == found.within


def test_each_depth_has_its_own_bias_that_rests_on_places() -> None:
    pairs = [Pair(20.0 + 1.0, 20.0, "a", 10.0)] * 5 + [Pair(20.0 + 2.0, 20.0, "b", 10.0)]
    pairs += [Pair(20.0 - 1.0, 20.0, "c", 40.0), Pair(30.0, 20.0, "d")]
    shallow, deep = bias_by_depth(pairs)
    assert (shallow.depth, shallow.places, shallow.pairs) == (10.0, 2, 6)
    assert isinstance(shallow.bias, Estimate)
    assert shallow.bias.value == pytest.approx(1.5)  # two places, whatever their repeats
    # Student's t with one degree of freedom is 12.706; the standard error is 0.5.
    assert shallow.bias.high == pytest.approx(1.5 + 12.7062 * 0.5, rel=1e-5)
    assert (deep.depth, deep.mean) == (40.0, -1.0)
    assert isinstance(deep.bias, Undetermined)


@pytest.mark.parametrize(
    ("pairs", "says"),
    [
        ([Pair(math.nan, 1.0, "a")], "embedded is nan, expected -1e+12 to 1e+12 "),
        ([Pair(1.0, math.inf, "a")], "hand is inf, expected"),
        ([Pair(1.0, 1.0, "")], "place is empty, expected a name"),
    ],
)
def test_a_bad_pair_is_told_in_one_sentence(pairs: list[Pair], says: str) -> None:
    with pytest.raises(PhysicsError) as told:
        limits_of_agreement(pairs)
    assert str(told.value).startswith(says)
    assert str(pickle.loads(pickle.dumps(told.value))) == str(told.value)


def test_bad_arguments_are_told() -> None:
    with pytest.raises(PhysicsError, match="confidence is 95"):
        limits_of_agreement([], confidence=95.0)
    with pytest.raises(PhysicsError, match="multiple is 0"):
        limits_of_agreement([], multiple=0.0)
    with pytest.raises(PhysicsError, match="hand is 0"):
        limits_from_repeats([[1.0]], hand=[])
    with pytest.raises(PhysicsError, match="embedded is uneven"):
        limits_from_repeats([[1.0], [1.0, 2.0]] * 3, hand=[[1.0]] * 6)
    with pytest.raises(PhysicsError, match="a place with two repeats"):
        repeatability([[1.0], [2.0]])
    with pytest.raises(PhysicsError, match="one for place 'a'"):
        bias_by_depth([Pair(1.0, 1.0, "a", 10.0), Pair(1.0, 1.0, "a", 20.0)])
