"""Relative humidity over saturated salts, against published tables.

Greenspan 1977 (J. Res. NBS 81A, 89) was read by its abstract only; its coefficients came second
hand, from two programs that agree. What is checked here was read elsewhere.
"""

import math

import pytest

from longsoak.core.knownvalues import SALTS, humidity_over
from longsoak.vocabulary.errors import PhysicsError


@pytest.mark.parametrize(("celsius", "percent"), [(5.0, 75.1), (30.0, 75.6), (50.0, 74.7)])
def test_sodium_chloride_as_wexler_and_hasegawa_measured_it(celsius: float, percent: float) -> None:
    """Wexler and Hasegawa 1954 (J. Res. NBS 53, 19), as their abstract says.

    74.9 % at 0 degC, a maximum of 75.6 % at 30 degC, 74.7 % at 50 degC; at 5 degC interpolated.
    """
    assert humidity_over("sodium chloride", celsius) == pytest.approx(percent, abs=0.7)


@pytest.mark.parametrize(
    ("salt", "a", "b", "celsius"),
    [
        ("lithium chloride", 14.53, -75.0, (20.0, 25.0, 40.0, 65.0)),
        ("magnesium chloride", 29.26, 34.0, (5.0, 25.0, 45.0)),
    ],
)
def test_handbook_equation_within_what_it_claims(
    salt: str, a: float, b: float, celsius: tuple[float, ...]
) -> None:
    """CRC Handbook of Chemistry and Physics, section 15: A exp(B / T), "accurate to 2 %"."""
    for t in celsius:
        handbook = a * math.exp(b / (t + 273.15))
        assert humidity_over(salt, t) == pytest.approx(handbook, abs=2.0)
    assert humidity_over(salt, 25.0) == pytest.approx(a * math.exp(b / 298.15), abs=0.1)


@pytest.mark.parametrize(
    ("salt", "percent"),
    [
        ("lithium chloride", 11.30),
        ("magnesium chloride", 32.78),
        ("sodium chloride", 75.29),
        ("potassium chloride", 84.34),
        ("potassium nitrate", 93.58),
        ("potassium sulfate", 97.30),
        ("water", 100.0),
    ],
)
def test_values_at_25_degrees(salt: str, percent: float) -> None:
    """From memory: as labels of salt kits give them, from Greenspan's table at 25 degC."""
    assert humidity_over(salt, 25.0) == pytest.approx(percent, abs=0.02)


def test_no_table_is_stretched_and_no_salt_made_up() -> None:
    for name, salt in SALTS.items():
        for outside in (salt.low - 0.1, salt.high + 0.1):
            with pytest.raises(PhysicsError, match=f"over {name}"):
                humidity_over(name, outside)
    with pytest.raises(PhysicsError, match="one of lithium chloride"):
        humidity_over("table salt", 20.0)
