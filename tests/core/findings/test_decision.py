"""Verdicts on limits: what they say, and how often they are wrong in simulated tests."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.findings.decision import (
    Bound,
    Outcome,
    ToleranceLimit,
    decide,
    global_risk,
    probability_of_conformity,
    rule_of_guard,
    rule_of_risks,
)
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.rig import Side

DRY = ToleranceLimit(20.0, Side.AT_MOST)  # % MC
FIVE = rule_of_risks(consumers=0.05, producers=0.05)


@pytest.mark.parametrize(
    ("value", "verdict", "why"),
    [
        (18.0, Outcome.HELD, "2 standard uncertainties within the limit, at least 1.64 asked for"),
        (
            22.0,
            Outcome.BROKEN,
            "2 standard uncertainties beyond the limit, at least 1.64 asked for",
        ),
        (
            19.0,
            Outcome.UNDECIDED,
            "1 standard uncertainties within the limit, fewer than the 1.64 asked for",
        ),
        (
            20.5,
            Outcome.UNDECIDED,
            "0.5 standard uncertainties beyond the limit, fewer than the 1.64 asked for",
        ),
    ],
)
def test_a_verdict_says_how_far_from_the_limit_the_value_lies(
    value: float, verdict: Outcome, why: str
) -> None:
    found = decide(value, uncertainty=1.0, limit=DRY, rule=FIVE)
    assert (found.verdict, found.why) == (verdict, why)
    assert found.margin == 20.0 - value
    assert found.held_from == pytest.approx(18.3551, abs=1e-4)
    assert found.broken_from == pytest.approx(21.6449, abs=1e-4)


@given(st.floats(-50.0, 50.0), st.floats(0.01, 10.0), st.sampled_from(Side), st.floats(1e-3, 0.5))
def test_a_verdict_is_never_less_sure_than_declared(
    value: float, uncertainty: float, side: Side, risk: float
) -> None:
    limit, rule = ToleranceLimit(3.0, side), rule_of_risks(consumers=risk, producers=risk / 2.0)
    found = decide(value, uncertainty=uncertainty, limit=limit, rule=rule)
    sure = probability_of_conformity(value, uncertainty=uncertainty, limit=limit)
    assert found.conforming == sure
    if found.verdict is Outcome.HELD:
        assert 1.0 - sure <= risk + 1e-12
    elif found.verdict is Outcome.BROKEN:
        assert sure <= risk / 2.0 + 1e-12
    else:
        assert risk / 2.0 - 1e-12 <= sure
        assert sure <= 1.0 - risk + 1e-12


@given(st.floats(-50.0, 50.0), st.floats(0.01, 10.0), st.floats(-5.0, 5.0))
def test_a_limit_below_is_a_limit_above_seen_in_a_mirror(
    value: float, uncertainty: float, at: float
) -> None:
    above = decide(
        value, uncertainty=uncertainty, limit=ToleranceLimit(at, Side.AT_MOST), rule=FIVE
    )
    below = decide(
        -value, uncertainty=uncertainty, limit=ToleranceLimit(-at, Side.AT_LEAST), rule=FIVE
    )
    assert (above.verdict, above.margin) == (below.verdict, below.margin)
    assert above.held_from == -below.held_from


@pytest.mark.parametrize(("truth", "wrong"), [(20.0, Outcome.BROKEN), (20.0001, Outcome.HELD)])
def test_a_limit_just_kept_or_just_broken_is_called_wrongly_no_oftener_than_declared(
    truth: float, wrong: Outcome
) -> None:
    # 5 % at the limit itself, where it is most; two standard deviations of 20,000 runs are 0.3 %.
    random = np.random.default_rng(20)
    verdicts = [
        decide(value, uncertainty=0.8, limit=DRY, rule=FIVE).verdict
        for value in random.normal(truth, 0.8, 20_000).tolist()
    ]
    assert 0.045 <= verdicts.count(wrong) / 20_000 <= 0.05 + 0.003


def test_an_uncertainty_found_from_few_repeats_is_wrong_no_oftener_either() -> None:
    random, wrong = np.random.default_rng(21), 0
    for row in random.normal(20.0, 0.8, (1000, 4)):
        u = float(row.std(ddof=1) / 2.0)
        found = decide(float(row.mean()), uncertainty=u, limit=DRY, rule=FIVE, freedom=3.0)
        wrong += found.verdict is Outcome.BROKEN
    assert wrong / 1000 <= 0.05 + 0.014


@pytest.mark.parametrize(
    ("value", "bound", "limit", "verdict"),
    [
        (60.0, Bound.AT_LEAST, DRY, Outcome.BROKEN),
        (15.0, Bound.AT_LEAST, DRY, Outcome.UNDECIDED),
        (7.0, Bound.AT_MOST, DRY, Outcome.HELD),
        (25.0, Bound.AT_MOST, DRY, Outcome.UNDECIDED),
        (60.0, Bound.AT_LEAST, ToleranceLimit(20.0, Side.AT_LEAST), Outcome.HELD),
        (7.0, Bound.AT_MOST, ToleranceLimit(20.0, Side.AT_LEAST), Outcome.BROKEN),
        (60.0, Bound.AT_MOST, ToleranceLimit(20.0, Side.AT_LEAST), Outcome.UNDECIDED),
    ],
)
def test_the_end_of_a_range_decides_only_the_way_it_tells_of(
    value: float, bound: Bound, limit: ToleranceLimit, verdict: Outcome
) -> None:
    found = decide(value, uncertainty=1.0, limit=limit, rule=FIVE, bound=bound)
    assert found.verdict is verdict
    assert found.conforming is None
    assert ("only a bound" in found.why) == (verdict is Outcome.UNDECIDED)


def test_without_a_guard_band_the_limit_itself_is_kept_and_nothing_is_undecided() -> None:
    rule = rule_of_guard(0.0)
    assert decide(20.0, uncertainty=1.0, limit=DRY, rule=rule).verdict is Outcome.HELD
    assert decide(20.001, uncertainty=1.0, limit=DRY, rule=rule).verdict is Outcome.BROKEN
    assert rule.words == (
        "held from 0 standard uncertainties within the limit on (chance that it is broken at most "
        "50 %), broken from 0 beyond it on (chance that it is held at most 50 %), undecided between"
    )


def test_the_long_run_s_probabilities_are_whole_and_a_wider_guard_band_decides_less() -> None:
    narrow, wide = (
        global_risk(
            mean=19.0, deviation=1.5, uncertainty=0.7, limit=DRY, rule=rule_of_guard(factor)
        )
        for factor in (0.5, 1.0)
    )
    assert wide.wrongly_held < narrow.wrongly_held
    assert wide.wrongly_broken < narrow.wrongly_broken
    assert wide.undecided > narrow.undecided
    assert narrow.conforming == pytest.approx(0.747507, abs=1e-6)  # normal below 2/3


def test_bad_arguments_are_told() -> None:
    with pytest.raises(PhysicsError, match="value whose uncertainty is not known decides nothing"):
        decide(20.0, uncertainty=0.0, limit=DRY, rule=FIVE)
    with pytest.raises(PhysicsError, match="value is nan"):
        decide(math.nan, uncertainty=1.0, limit=DRY, rule=FIVE)
    with pytest.raises(PhysicsError, match="limit is inf"):
        decide(1.0, uncertainty=1.0, limit=ToleranceLimit(math.inf, Side.AT_MOST), rule=FIVE)
    with pytest.raises(PhysicsError, match=r"consumers is 0\.6"):
        rule_of_risks(consumers=0.6, producers=0.05)
    with pytest.raises(PhysicsError, match="factor is 2"):
        rule_of_guard(2.0)
    with pytest.raises(PhysicsError, match="freedom is 0"):
        decide(1.0, uncertainty=1.0, limit=DRY, rule=FIVE, freedom=0.0)
    with pytest.raises(PhysicsError, match="deviation is 0"):
        global_risk(mean=1.0, deviation=0.0, uncertainty=1.0, limit=DRY, rule=FIVE)
