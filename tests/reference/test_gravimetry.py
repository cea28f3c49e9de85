"""Oven-dry moisture against the definition all wood and building standards share."""

from math import sqrt

import numpy as np
import pytest

from longsoak.core.gravimetry import Weighing, moisture, moisture_uncertainty
from longsoak.vocabulary.errors import PhysicsError

# u = 100 (m_w - m_0) / m_0: NT BUILD 302 (1986), section 4, read. The two results are computed
# from it, so they check the arithmetic; printed to four decimals, hence the tolerance.
WET, DRY = 152.30, 128.45  # g
NT_BUILD_302_MOISTURE = 18.5675  # %
NT_BUILD_302_UNCERTAINTY = 0.0121  # %, for 0.01 g each
WET_BASIS = 15.6599  # %, what it must not be confused with


def test_moisture_is_a_share_of_the_oven_dry_mass() -> None:
    found = moisture(Weighing(WET, DRY))
    assert found == pytest.approx(NT_BUILD_302_MOISTURE, abs=5e-5)
    assert found / (1 + found / 100) == pytest.approx(WET_BASIS, abs=5e-5)


def test_a_container_weighed_along_changes_nothing() -> None:
    with_tare = moisture(Weighing(WET + 20, DRY + 20, 20))
    assert with_tare == pytest.approx(NT_BUILD_302_MOISTURE, abs=5e-5)


def test_the_balance_enters_through_both_weighings() -> None:
    found = moisture_uncertainty(Weighing(WET, DRY), balance=0.01)
    assert found == pytest.approx(NT_BUILD_302_UNCERTAINTY, abs=5e-5)


def test_the_uncertainty_holds_against_a_monte_carlo_run_with_a_weighed_container() -> None:
    # JCGM 101, from memory: draw each weighing, take the spread of the results. 200 000 draws
    # give a standard deviation within 0.2 %, so 1 % is five of its own.
    draws = np.random.default_rng(12570)
    wet, dry, tare = (draws.normal(mass, 0.05, 200_000) for mass in (52.0, 41.0, 12.0))
    spread = float(np.std(100 * (wet - dry) / (dry - tare)))
    found = moisture_uncertainty(Weighing(52.0, 41.0, 12.0), balance=0.05)
    assert found == pytest.approx(spread, rel=0.01)


def test_without_a_container_only_two_weighings_count() -> None:
    weighed = moisture_uncertainty(Weighing(110.0, 100.0, 0.0), balance=0.1)
    none = moisture_uncertainty(Weighing(110.0, 100.0), balance=0.1)
    assert weighed == pytest.approx(sqrt(none**2 + (0.1 * 10.0 / 100.0) ** 2))


@pytest.mark.parametrize(
    ("weighing", "argument"),
    [
        (Weighing(99.0, 100.0), "wet"),
        (Weighing(float("nan"), 100.0), "wet"),
        (Weighing(float("inf"), 100.0), "wet"),
        (Weighing(30.0, 20.0, 20.0), "dry"),
        (Weighing(30.0, 0.0), "dry"),
        (Weighing(30.0, 20.0, -1.0), "tare"),
    ],
)
def test_masses_out_of_order_are_refused_by_name(weighing: Weighing, argument: str) -> None:
    with pytest.raises(PhysicsError) as refused:
        moisture(weighing)
    assert refused.value.argument == argument


def test_a_balance_of_less_than_nothing_is_refused() -> None:
    with pytest.raises(PhysicsError, match=r"balance is -0\.1 g, expected 0 g or more"):
        moisture_uncertainty(Weighing(WET, DRY), balance=-0.1)
