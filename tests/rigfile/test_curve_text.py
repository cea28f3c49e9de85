"""A curve written as the table a rig file takes is the same curve to the last digit."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.rigfile.curvefile import curve_text
from longsoak.rigfile.curves import curve, shipped
from longsoak.rigfile.curvetable import CurveTable
from longsoak.vocabulary.curve import Correction, Curve, Form, MadeFor


@pytest.mark.parametrize("name", sorted(shipped()))
def test_every_shipped_curve_can_be_written_and_read_back(name: str) -> None:
    assert read_back(shipped()[name]) == shipped()[name]


def read_back(made: Curve) -> Curve:
    ((name, table),) = tomllib.loads(curve_text(made, remarks=("one", "two\nlines")))[
        "curves"
    ].items()
    return curve(name, CurveTable.model_validate(table))


_NUMBERS = st.floats(-1e9, 1e9)
_WORDS = st.text(st.characters(exclude_categories=["C", "Zl", "Zp", "Zs"]), min_size=1, max_size=60)
_NAMES = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=60)


@given(
    _NAMES,
    _WORDS,
    st.tuples(_NUMBERS, _NUMBERS),
    st.tuples(st.tuples(_NUMBERS, _NUMBERS), st.tuples(_NUMBERS, _NUMBERS)),
    st.sampled_from([Form.POWER, Form.DOUBLE_LOG]),
    st.sampled_from([Correction.NONE, Correction.RESISTANCE, Correction.MOISTURE]),
    st.floats(0, 1),
    st.floats(1e-6, 1),
    st.none() | st.floats(1, 1e6),
)
def test_a_written_curve_reads_back_to_the_last_digit(
    name: str,
    words: str,
    coefficients: tuple[float, float],
    covariance: tuple[tuple[float, float], tuple[float, float]],
    form: Form,
    correction: Correction,
    residual: float,
    share: float,
    freedom: float | None,
) -> None:
    made = Curve(
        name=name,
        form=form,
        made_for=MadeFor.MINERAL,
        lowest=1.0 + share,
        highest=2.0 + 198.0 * share,
        reference_temperature=70.0 * share - 20.0,
        correction=correction,
        source=words,
        fitted_on=words,
        coefficients=coefficients,
        per_kelvin=0.0 if correction is Correction.NONE else share,
        covariance=covariance,
        residual=residual,
        freedom=freedom,
        per_kelvin_uncertainty=0.0 if correction is Correction.NONE else residual,
        per_kelvin_covariance=(0.0, 0.0) if correction is Correction.NONE else covariance[1],
    )
    assert read_back(made) == made
