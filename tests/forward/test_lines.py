"""Line protocol, read back with an independent parser (PyPI's line-protocol-parser)."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from line_protocol_parser import parse_line  # type: ignore[import-untyped]  # ships none

from longsoak.forward.lines import MEASUREMENTS, Lines
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Kind, Rig
from rigs import small_rig


def reading(
    probe: str, value: float | None = 17.5, *, raw: float | None = 3e6, flag: Flag = Flag.PASS
) -> Reading:
    return Reading(
        probe,
        1_777_885_200_123,
        raw,
        "Ohm",
        value,
        None if value is None else 0.5,
        flag,
        Reason.NONE,
    )


def read_back(rig: Rig, taken: Reading) -> dict[str, object]:
    parsed = parse_line(Lines(rig).line(taken).decode())
    assert isinstance(parsed, dict)
    return parsed


def test_pins_go_out_with_their_place_and_every_number_as_a_float() -> None:
    assert read_back(small_rig(), reading("C 30/60")) == {
        "measurement": "pins",
        "tags": {
            "rig": "small rig",
            "probe": "C 30/60",
            "bay": "plain",
            "depth_mm": "30",
            "height_mm": "60",
        },
        "fields": {"raw": 3e6, "value": 17.5, "uncertainty": 0.5, "flag": 1.0, "reason": 0.0},
        "time": 1_777_885_200_123,
    }


def test_whole_numbers_are_written_so_that_the_field_stays_a_float() -> None:
    assert b"value=20.0" in Lines(small_rig()).line(reading("T core", 20))


@pytest.mark.parametrize(
    ("probe", "measurement"),
    [
        ("meter reference", "reference_resistor"),
        ("T core", "temperature"),
        ("RH room", "humidity"),
        ("water level", "level"),
        ("high float", "float"),
    ],
)
def test_each_kind_of_probe_has_a_measurement_of_its_own(probe: str, measurement: str) -> None:
    assert read_back(small_rig(), reading(probe))["measurement"] == measurement


def test_no_two_kinds_share_a_measurement_and_none_is_without() -> None:
    assert len({MEASUREMENTS[kind] for kind in Kind}) == len(Kind)


def test_a_time_that_is_not_sure_is_told_and_one_that_is_costs_nothing() -> None:
    sure = parse_line(Lines(small_rig()).line(reading("T core")).decode())
    unsure = parse_line(Lines(small_rig()).line(reading("T core"), time_sure=False).decode())
    assert unsure["fields"] == {**sure["fields"], "time_unsure": 1.0}
    assert "time_unsure" not in sure["fields"]


def test_a_level_is_told_in_litres_too() -> None:
    # The small rig's tray holds 60 L at 150 mm and has straight walls, so 0.4 L a millimetre.
    fields = read_back(small_rig(), reading("water level", 50.0))["fields"]
    assert isinstance(fields, dict)
    assert fields["litres"] == pytest.approx(20.0)


def test_litres_outside_the_depth_table_are_left_out_not_guessed() -> None:
    fields = read_back(small_rig(), reading("water level", 151.0))["fields"]
    assert isinstance(fields, dict)
    assert "litres" not in fields


def test_a_missing_reading_carries_its_flag_alone() -> None:
    taken = Reading("C 30/60", 5, None, "", None, None, Flag.MISSING, Reason.NO_ANSWER)
    assert read_back(small_rig(), taken)["fields"] == {"flag": 9.0}


@pytest.mark.parametrize(
    ("reason", "field"),
    [
        (Reason.WETTER_THAN_CURVE, "at_least"),
        (Reason.SHORT_CIRCUIT, "at_least"),
        (Reason.DRIER_THAN_CURVE, "at_most"),
        (Reason.OVER_RANGE, "at_most"),
    ],
)
def test_a_bound_goes_out_as_one_and_never_as_a_value(reason: Reason, field: str) -> None:
    """A database's mean over values must not take "at least 25" for 25."""
    taken = replace(reading("C 30/60", 25.0), flag=Flag.SUSPECT, reason=reason)
    assert read_back(small_rig(), taken)["fields"] == {
        "raw": 3e6,
        field: 25.0,
        "flag": 3.0,
        "reason": float(reason),
    }


@pytest.mark.parametrize("odd", [float("nan"), float("inf"), float("-inf")])
def test_what_is_not_finite_is_left_out(odd: float) -> None:
    taken = replace(reading("C 30/60", None, raw=odd), uncertainty=odd)
    assert read_back(small_rig(), taken)["fields"] == {"flag": 1.0, "reason": 0.0}


def test_a_probe_the_rig_has_no_more_still_goes_out() -> None:
    parsed = read_back(small_rig(), reading("C 99/99"))
    assert parsed["measurement"] == "retired"
    assert parsed["tags"] == {"rig": "small rig", "probe": "C 99/99"}


@pytest.mark.parametrize(
    ("name", "carried"),
    [
        ("ends in \\", "ends in \u29f5"),
        ("two\nlines", "two\u240alines"),
        ("tab\there", "tab\u2409here"),
        ("nul\x00", "nul\u2400"),
        ("half \ud800", "half ?"),
    ],
)
def test_what_the_protocol_can_not_carry_is_replaced_by_its_picture(
    name: str, carried: str
) -> None:
    tags = read_back(small_rig(), reading(name))["tags"]
    assert isinstance(tags, dict)
    assert tags["probe"] == carried


_awkward = st.text(
    st.one_of(st.characters(exclude_categories=["Cs"]), st.sampled_from(" ,=\\\"'#"))
)
# The parser takes no subnormal numbers; no instrument gives any.
_number = st.none() | st.floats(allow_subnormal=False)


@given(
    rig_name=_awkward.filter(bool),
    probe=_awkward.filter(bool),
    raw=_number,
    value=_number,
    utc_ms=st.integers(-(2**53), 2**53),
)
def test_any_name_and_number_comes_back_from_one_line(
    rig_name: str, probe: str, raw: float | None, value: float | None, utc_ms: int
) -> None:
    taken = Reading(probe, utc_ms, raw, "Ohm", value, None, Flag.SUSPECT, Reason.OUT_OF_RANGE)
    line = Lines(small_rig(name=rig_name)).line(taken)

    assert b"\n" not in line
    parsed = parse_line(line.decode())
    if probe in {p.name for p in small_rig().probes}:
        return
    plain = "".join(
        "\u29f5"
        if c == "\\"
        else chr(0x2400 + ord(c))
        if c < " "
        else "\u2421"
        if c == "\x7f"
        else c
        for c in probe
    )
    assert parsed["tags"]["probe"] == plain
    assert set(parsed["tags"]) == {"rig", "probe"}
    finite = {
        name: number
        for name, number in (("raw", raw), ("value", value))
        if number is not None and number - number == 0
    }
    assert parsed["fields"] == {**finite, "flag": 3.0, "reason": 5.0}
    assert parsed["time"] == utc_ms
