"""Carrying the mould index on: splits, clamps, refusals."""

import math
import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.mould import (
    CAUTION,
    Decline,
    MouldState,
    Sensitivity,
    Softwood,
    Threshold,
    along,
    highest_index,
    step,
)
from longsoak.vocabulary.errors import PhysicsError

materials = st.sampled_from([*Sensitivity, Softwood(), Softwood(spruce=True)])
states = st.builds(MouldState, st.floats(0.0, 6.0), st.floats(0.0, 1000.0))
temperatures = st.floats(-30.0, 60.0)
humidities = st.one_of(st.floats(0.0, 100.0), st.floats(80.0, 100.0))


@given(
    st.lists(st.one_of(st.none(), st.tuples(temperatures, humidities)), max_size=30),
    st.floats(0.5, 48.0),
    materials,
    st.sampled_from(Decline),
    st.sampled_from(Threshold),
)
def test_along_many_spells_the_index_is_that_of_as_many_steps(
    airs: list[tuple[float, float] | None],
    hours: float,
    material: Sensitivity | Softwood,
    decline: Decline,
    threshold: Threshold,
) -> None:
    state, expected = MouldState(), [0.0]
    for air in airs:
        if air is not None:
            state = step(
                state, temperature=air[0], relative_humidity=air[1], hours=hours,
                material=material, decline=decline, threshold=threshold,
            )  # fmt: skip
        expected.append(state.index)
    found = along(airs, hours=hours, material=material, decline=decline, threshold=threshold)
    assert found == expected


def test_spells_of_no_length_and_air_that_can_not_be_are_refused() -> None:
    for airs, hours in (([(20.0, 90.0)], 0.0), ([(20.0, 101.0)], 1.0), ([(61.0, 90.0)], 1.0)):
        with pytest.raises(PhysicsError):
            along(airs, hours=hours, material=Sensitivity.SENSITIVE)


@given(
    states,
    temperatures,
    humidities,
    st.lists(st.floats(0.0, 200.0), min_size=1, max_size=12),
    materials,
    st.sampled_from(Decline),
    st.sampled_from(Threshold),
)
def test_however_a_steady_spell_is_cut_up_the_end_is_the_same(
    state: MouldState,
    temperature: float,
    rh: float,
    pieces: list[float],
    material: Sensitivity | Softwood,
    decline: Decline,
    threshold: Threshold,
) -> None:
    def over(start: MouldState, hours: float) -> MouldState:
        return step(
            start,
            temperature=temperature,
            relative_humidity=rh,
            hours=hours,
            material=material,
            decline=decline,
            threshold=threshold,
        )

    whole = over(state, math.fsum(pieces))
    carried = state
    for piece in pieces:
        carried = over(carried, piece)
    assert carried.index == pytest.approx(whole.index, abs=1e-9)
    assert carried.hours_since_growth == pytest.approx(whole.hours_since_growth, abs=1e-9)
    assert 0.0 <= whole.index <= 6.0


@pytest.mark.parametrize(
    ("start", "temperature", "rh"),
    [(0.0, 22.0, 95.0), (0.9, 10.0, 97.0), (1.0, 20.0, 50.0), (0.01, 20.0, 50.0)],
)
def test_hour_by_hour_ends_where_one_long_step_ends(
    start: float, temperature: float, rh: float
) -> None:
    state = MouldState(start)
    for _ in range(24 * 28):
        state = step(
            state,
            temperature=temperature,
            relative_humidity=rh,
            hours=1.0,
            material=Sensitivity.VERY_SENSITIVE,
        )
    whole = step(
        MouldState(start),
        temperature=temperature,
        relative_humidity=rh,
        hours=24.0 * 28,
        material=Sensitivity.VERY_SENSITIVE,
    )
    assert state.index == pytest.approx(whole.index, abs=1e-9)


def test_a_state_kept_and_read_again_carries_on_as_if_never_put_away() -> None:
    state = MouldState()
    for rh in (95.0, 40.0):
        state = step(
            state,
            temperature=22.0,
            relative_humidity=rh,
            hours=10.0,
            material=Sensitivity.VERY_SENSITIVE,
        )
    assert pickle.loads(pickle.dumps(state)) == state
    assert state.hours_since_growth == 10.0  # the rest between 6 and 24 h goes on from here
    after = step(
        state,
        temperature=22.0,
        relative_humidity=40.0,
        hours=14.0,
        material=Sensitivity.VERY_SENSITIVE,
    )
    assert after.index == state.index
    assert after.hours_since_growth == 24.0


def test_growth_starts_the_hour_count_again() -> None:
    state = step(
        MouldState(1.0, 500.0),
        temperature=22.0,
        relative_humidity=95.0,
        hours=0.5,
        material=Sensitivity.SENSITIVE,
    )
    assert state.hours_since_growth == 0.0
    assert state.index > 1.0


def test_no_time_changes_nothing_whatever_the_air() -> None:
    state = MouldState(1.0, 500.0)
    assert (
        step(
            state,
            temperature=22.0,
            relative_humidity=95.0,
            hours=0.0,
            material=Sensitivity.SENSITIVE,
        )
        == state
    )


def test_air_that_suits_growth_never_lets_the_index_fall() -> None:
    top = highest_index(20.0, relative_humidity=85.0, material=Sensitivity.VERY_SENSITIVE)
    assert top < 5.0
    after = step(
        MouldState(5.0),
        temperature=20.0,
        relative_humidity=85.0,
        hours=1000.0,
        material=Sensitivity.VERY_SENSITIVE,
    )
    assert after.index == 5.0


@pytest.mark.parametrize("temperature", [-5.0, 0.0, 50.0, 55.0])
def test_frost_and_heat_let_nothing_grow(temperature: float) -> None:
    after = step(
        MouldState(2.0),
        temperature=temperature,
        relative_humidity=100.0,
        hours=48.0,
        material=Sensitivity.VERY_SENSITIVE,
    )
    assert after.index == pytest.approx(2.0 - 0.024)


def test_a_hair_above_freezing_gives_no_error() -> None:
    after = step(
        MouldState(),
        temperature=5e-324,
        relative_humidity=100.0,
        hours=1.0,
        material=Sensitivity.VERY_SENSITIVE,
    )
    assert after.index == 0.0


@pytest.mark.parametrize(
    ("state", "temperature", "rh", "hours", "words"),
    [
        (MouldState(), math.nan, 90.0, 1.0, "temperature is nan, expected -100 to 60 degC"),
        (MouldState(), 20.0, 100.5, 1.0, "relative_humidity is 100.5, expected 0 to 100 %"),
        (MouldState(), 20.0, 90.0, -1.0, "hours is -1.0, expected 0 to 1e+06 h"),
        (MouldState(), 20.0, 90.0, math.inf, "hours is inf, expected 0 to 1e+06 h"),
        (MouldState(6.1), 20.0, 90.0, 1.0, "index is 6.1, expected 0 to 6 (mould index)"),
        (
            MouldState(0.0, -1.0),
            20.0,
            90.0,
            1.0,
            "hours_since_growth is -1.0, expected 0 to 1e+09 h",
        ),
    ],
)
def test_what_cannot_be_is_refused_by_name(
    state: MouldState, temperature: float, rh: float, hours: float, words: str
) -> None:
    with pytest.raises(PhysicsError) as caught:
        step(
            state,
            temperature=temperature,
            relative_humidity=rh,
            hours=hours,
            material=Sensitivity.RESISTANT,
        )
    assert str(caught.value) == words


def test_the_caution_defers_to_local_rules() -> None:
    assert "local rules" in CAUTION
    assert "someone qualified" in CAUTION
