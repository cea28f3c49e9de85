"""Verdicts on limits against JCGM 106 cases from memory and against numerical integration.

JCGM 106 was not read: its examples are as remembered, and what they print is supported by
computing it again. Everything else is computed.
"""

from importlib import import_module

import numpy as np
import pytest

from longsoak.core.findings.decision import (
    Outcome,
    ToleranceLimit,
    decide,
    global_risk,
    probability_of_conformity,
    rule_of_guard,
    rule_of_risks,
)
from longsoak.vocabulary.rig import Side

integrate = import_module("scipy.integrate")  # ships no types
stats = import_module("scipy.stats")

# JCGM 106, 7.3.3, from memory: value, standard uncertainty, limit, and the printed probability.
# Breakdown voltage of a diode, V, at most -5.40; strength of a container, kPa, at least 490.
JCGM_106_7_3_3 = [
    (-5.47, 0.05, ToleranceLimit(-5.40, Side.AT_MOST), 0.92),
    (509.7, 8.6, ToleranceLimit(490.0, Side.AT_LEAST), 0.99),
]


@pytest.mark.parametrize(("value", "uncertainty", "limit", "printed"), JCGM_106_7_3_3)
def test_the_probability_of_conformity_is_that_of_the_guide(
    value: float, uncertainty: float, limit: ToleranceLimit, printed: float
) -> None:
    found = probability_of_conformity(value, uncertainty=uncertainty, limit=limit)
    assert round(found, 2) == printed
    assert found == pytest.approx(float(stats.norm.cdf(limit.room(value) / uncertainty)), rel=1e-12)


def test_a_speed_is_broken_from_the_guide_s_107_on() -> None:
    # JCGM 106, 8.3.3.2, from memory: 100 km/h, 2 % relative uncertainty, 99.9 % sure: 107 km/h.
    limit, rule = ToleranceLimit(100.0, Side.AT_MOST), rule_of_risks(consumers=0.5, producers=0.001)
    for speed, verdict in ((106.0, Outcome.UNDECIDED), (107.0, Outcome.BROKEN)):
        assert decide(speed, uncertainty=0.02 * speed, limit=limit, rule=rule).verdict is verdict


def test_the_interval_of_two_limits_is_what_both_leave() -> None:
    # JCGM 106, 7.4, from memory: viscosity 13.6 with uncertainty 1.8, 12.5 to 16.3: 0.66.
    parts = [
        probability_of_conformity(13.6, uncertainty=1.8, limit=limit)
        for limit in (ToleranceLimit(12.5, Side.AT_LEAST), ToleranceLimit(16.3, Side.AT_MOST))
    ]
    assert sum(parts) - 1.0 == pytest.approx(0.66, abs=0.005)


def test_a_guard_band_of_the_expanded_uncertainty_leaves_2_3_per_cent() -> None:
    rule = rule_of_guard(1.0)
    assert (rule.held, rule.broken) == (2.0, 2.0)
    assert rule.consumers_risk == pytest.approx(float(stats.norm.sf(2.0)), rel=1e-12)


@pytest.mark.parametrize("freedom", [1.0, 4.0, 30.0])
def test_few_degrees_of_freedom_take_student_s_distribution(freedom: float) -> None:
    limit = ToleranceLimit(20.0, Side.AT_MOST)
    for value in (18.0, 20.5):
        found = probability_of_conformity(value, uncertainty=0.8, limit=limit, freedom=freedom)
        assert found == pytest.approx(float(stats.t.cdf((20.0 - value) / 0.8, freedom)), rel=1e-9)
    rule = rule_of_risks(consumers=0.05, producers=0.01)
    found_from = decide(18.0, uncertainty=0.8, limit=limit, rule=rule, freedom=freedom)
    assert found_from.held_from == pytest.approx(20.0 - 0.8 * stats.t.ppf(0.95, freedom), rel=1e-9)
    assert found_from.broken_from == pytest.approx(
        20.0 + 0.8 * stats.t.ppf(0.99, freedom), rel=1e-9
    )


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize(
    ("mean", "deviation", "uncertainty"),
    [(18.0, 2.0, 1.0), (20.0, 0.5, 1.0), (23.0, 4.0, 0.05), (10.0, 1.0, 1.0)],
)
def test_global_risks_are_those_of_numerical_integration(
    side: Side, mean: float, deviation: float, uncertainty: float
) -> None:
    limit, rule = ToleranceLimit(20.0, side), rule_of_risks(consumers=0.05, producers=0.2)
    found = global_risk(
        mean=mean, deviation=deviation, uncertainty=uncertainty, limit=limit, rule=rule
    )
    sign = 1.0 if side is Side.AT_MOST else -1.0
    held_below = 20.0 - sign * rule.held * uncertainty
    broken_above = 20.0 + sign * rule.broken * uncertainty
    prior, edges = stats.norm(mean, deviation), (mean - 12 * deviation, mean + 12 * deviation)

    def integral(inside: bool, called_held: bool) -> float:
        kept = (edges[0], 20.0) if side is Side.AT_MOST else (20.0, edges[1])
        not_kept = (20.0, edges[1]) if side is Side.AT_MOST else (edges[0], 20.0)
        low, high = kept if inside else not_kept
        if high <= low:
            return 0.0

        def weighed(y: float) -> float:
            end = held_below if called_held else broken_above
            z = (end - y) / uncertainty * (sign if called_held else -sign)
            return float(stats.norm.cdf(z) * prior.pdf(y))

        points = sorted({min(max(p, low), high) for p in (20.0, mean, held_below, broken_above)})
        value, _ = integrate.quad(weighed, low, high, points=points, limit=500, epsabs=1e-12)
        return float(value)

    assert found.wrongly_held == pytest.approx(integral(False, True), abs=1e-9)
    assert found.wrongly_broken == pytest.approx(integral(True, False), abs=1e-9)
    decided = sum(integral(inside, held) for inside in (True, False) for held in (True, False))
    assert found.undecided == pytest.approx(1.0 - decided, abs=1e-8)
    assert found.conforming == pytest.approx(
        float(prior.cdf(20.0)) if sign > 0 else float(prior.sf(20.0))
    )


def test_global_risks_are_those_of_drawing_at_random() -> None:
    random = np.random.default_rng(3)
    truth = random.normal(19.0, 1.5, 400_000)
    seen = truth + random.normal(0.0, 0.7, truth.size)
    limit, rule = ToleranceLimit(20.0, Side.AT_MOST), rule_of_risks(consumers=0.05, producers=0.05)
    held = seen <= 20.0 - rule.held * 0.7
    broken = seen >= 20.0 + rule.broken * 0.7
    found = global_risk(mean=19.0, deviation=1.5, uncertainty=0.7, limit=limit, rule=rule)
    # Two standard deviations of a share of 400,000 draws are 0.0016 at most.
    assert found.wrongly_held == pytest.approx(np.mean(held & (truth > 20.0)), abs=0.0016)
    assert found.wrongly_broken == pytest.approx(np.mean(broken & (truth <= 20.0)), abs=0.0016)
    assert found.undecided == pytest.approx(np.mean(~held & ~broken), abs=0.0016)
