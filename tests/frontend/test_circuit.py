"""The circuit the firmware is run against: it must notice what no front end may do."""

import pytest

from frontend.circuit import (
    BANKS,
    DRIVE,
    PAIR_ADDRESS,
    RANGE_ADDRESS,
    RANGE_ENABLE,
    RETURN,
    Circuit,
)


def energised() -> Circuit:
    """P1 of 1 MOhm, driven forward on the 1 MOhm range."""
    circuit = Circuit()
    circuit.specimens["P1"] = 1e6
    circuit.set_pin(RANGE_ADDRESS[1], 1)
    circuit.set_pin(RANGE_ENABLE, 0)
    circuit.set_pin(BANKS[0], 0)
    circuit.set_pin(DRIVE, 1)
    return circuit


def test_a_divider_of_two_like_resistors_settles_at_half_the_supply() -> None:
    circuit = energised()
    assert circuit.sample() >> 4 in (0, 1)  # the cable is not charged yet
    circuit.advance(0.05)
    assert circuit.sample() / 65535 == pytest.approx(0.5, abs=0.005)
    circuit.set_pin(DRIVE, 0)
    circuit.set_pin(RETURN, 1)
    circuit.advance(0.05)
    assert circuit.sample() / 65535 == pytest.approx(0.5, abs=0.005)
    assert circuit.energised["P1"] == [0.05, 0.05, 0.0]
    assert circuit.faults == []


def test_the_time_constant_is_cable_times_what_stands_at_the_node() -> None:
    circuit = energised()
    circuit.advance(0.5e-3)  # 1 nF at 0.5 MOhm
    assert circuit.sample() / 65535 / 0.5 == pytest.approx(0.632, abs=0.02)  # 1 - 1/e


@pytest.mark.parametrize(
    ("gpio", "level", "says"),
    [
        (BANKS[1], 0, "connected at once: P1 P13"),
        (PAIR_ADDRESS[0], 1, "switched while energised: P1 P2"),
        (BANKS[0], 1, "switched while energised: P1 None"),
    ],
)
def test_a_careless_hand_on_a_pin_is_noticed(gpio: int, level: int, says: str) -> None:
    circuit = energised()
    circuit.set_pin(gpio, level)
    assert circuit.faults == [says]


def test_a_pair_left_driven_is_noticed_when_nothing_is_to_be_measured() -> None:
    circuit = energised()
    circuit.at_rest()
    assert circuit.faults == ["connected at rest: P1", "driven at rest"]
