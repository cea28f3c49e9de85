"""Converter channels: files as the kernel writes them, the divider, and trees that lack things."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.ptys import settings
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers import iio
from longsoak_drivers.iio import OPEN_CIRCUIT, Divider, decode

LEVEL: dict[str, dict[str, object]] = {"water level": {"channel": "voltage0"}}


def converter(
    root: Path,
    files: dict[str, str],
    *,
    number: int = 0,
    name: str = "ads1015",
    seat: str = "1-0048",
) -> Path:
    """Lay out one converter as the kernel does: its folder in its chip's, and a link to it."""
    device = f"iio:device{number}"
    folder = root.parent / f"devices of {root.name}" / seat / device
    folder.mkdir(parents=True)
    root.mkdir(exist_ok=True)
    (root / device).symlink_to(folder)
    (folder / "name").write_text(f"{name}\n")
    for file, content in files.items():
        (folder / file).write_text(f"{content}\n")
    return folder


def missing(got: Sample | Missing) -> Missing:
    assert isinstance(got, Missing)
    return got


@pytest.mark.parametrize(
    ("files", "millivolts"),
    [
        ({"in_voltage0_raw": "1000", "in_voltage0_scale": "3.000000000"}, 3000.0),
        ({"in_voltage0_raw": "1000", "in_voltage_scale": "0.5"}, 500.0),
        ({"in_voltage0_raw": "-4", "in_voltage_scale": "0.5"}, -2.0),
        # The channel's own scale goes before the shared one.
        ({"in_voltage0_raw": "8", "in_voltage0_scale": "2", "in_voltage_scale": "9"}, 16.0),
        # Linux, Documentation/ABI/testing/sysfs-bus-iio: first the offset, then the scale.
        ({"in_voltage0_raw": "8", "in_voltage_scale": "2", "in_voltage0_offset": "-3"}, 10.0),
        ({"in_voltage0_raw": "8", "in_voltage_scale": "2", "in_voltage_offset": "1"}, 18.0),
    ],
)
def test_a_channel_is_raw_plus_offset_times_scale(
    tmp_path: Path, files: dict[str, str], millivolts: float
) -> None:
    converter(tmp_path, files)
    bus = iio.open_bus(settings(LEVEL, root=tmp_path, device="ads1015"))
    assert list(bus.poll(["water level"])) == [Sample("water level", millivolts, "mV")]
    bus.close()
    bus.close()


def test_the_converter_is_found_by_name_whatever_its_number(tmp_path: Path) -> None:
    files = {"in_voltage0_raw": "7", "in_voltage_scale": "1"}
    converter(tmp_path, {"in_voltage0_raw": "99", "in_voltage_scale": "1"}, number=0, name="other")
    converter(tmp_path, files, number=3)
    bus = iio.open_bus(settings(LEVEL, root=tmp_path, device="ads1015"))
    assert bus.describe() == "converter ads1015 at 1-0048"
    assert list(bus.poll(["water level"])) == [Sample("water level", 7.0, "mV")]


# Computed, for N = 1024 and 10 kOhm: resistor * (N - count) / count with the pins on the high side,
# resistor * count / (N - count) on the low side.
SIDES = [
    ("supply", 512, 10_000.0),
    ("supply", 100, 92_400.0),
    ("supply", 1000, 240.0),
    ("ground", 512, 10_000.0),
    ("ground", 100, 1082.251),
    ("ground", 1000, 416_666.67),
]


@pytest.mark.parametrize(("pins_to", "count", "ohms"), SIDES)
@pytest.mark.parametrize("supply", [1.0, 3.3, 5.0])
def test_the_divider_gives_the_pins_and_a_measured_supply_cancels(
    tmp_path: Path, pins_to: str, count: int, ohms: float, supply: float
) -> None:
    files = {
        "in_voltage0_raw": str(count),
        "in_voltage3_raw": "1024",
        "in_voltage_scale": str(supply * 1000 / 1024),
    }
    converter(tmp_path, files)
    divider = {"resistor": 10_000.0, "excitation_channel": "voltage3", "pins_to": pins_to}
    address: dict[str, object] = {"channel": "voltage0", "divider": divider}
    bus = iio.open_bus(settings({"pins": address}, root=tmp_path, device="ads1015"))
    (got,) = bus.poll(["pins"])
    assert isinstance(got, Sample)
    assert got.unit == "Ohm"
    assert got.value == pytest.approx(ohms, rel=1e-6)


@pytest.mark.parametrize("volts", ["0", "-3"])
def test_pins_whose_excitation_is_away_have_no_resistance_to_tell(
    tmp_path: Path, volts: str
) -> None:
    converter(tmp_path, {"in_voltage0_raw": "5", "in_voltage3_raw": volts, "in_voltage_scale": "1"})
    divider = {"resistor": 1e6, "excitation_channel": "voltage3"}
    address: dict[str, object] = {"channel": "voltage0", "divider": divider}
    bus = iio.open_bus(settings({"pins": address}, root=tmp_path, device="ads1015"))
    (got,) = bus.poll(["pins"])
    assert missing(got).why is Absence.UNREADABLE
    assert "its excitation measures" in missing(got).detail


def resistance(volts: float, excitation: float, **divider: object) -> float:
    return Divider.model_validate({"excitation": 1.0, **divider}).resistance(
        volts, excitation=excitation
    )


@pytest.mark.parametrize(
    ("pins_to", "volts", "ohms"),
    [
        ("supply", 0.0, OPEN_CIRCUIT),
        ("supply", -0.002, OPEN_CIRCUIT),
        ("supply", 3.3, 0.0),
        ("supply", 3.4, 0.0),
        ("supply", 5e-324, OPEN_CIRCUIT),
        ("ground", 0.0, 0.0),
        ("ground", -0.002, 0.0),
        ("ground", 3.3, OPEN_CIRCUIT),
        ("ground", 3.4, OPEN_CIRCUIT),
    ],
)
def test_the_ends_of_the_divider_are_open_and_shorted(
    pins_to: str, volts: float, ohms: float
) -> None:
    assert resistance(volts, 3.3, resistor=1e6, pins_to=pins_to) == ohms


@given(
    st.floats(1, 1e9),
    st.floats(0.1, 60),
    st.floats(0, 1),
    st.floats(1e4, 1e12),
    st.sampled_from(["supply", "ground"]),
)
def test_the_divider_undoes_a_divider(
    resistor: float, excitation: float, between: float, impedance: float, pins_to: str
) -> None:
    def parallel(a: float, b: float) -> float:
        return 1 / (1 / a + 1 / b)

    # Nearer to either end the difference of two equals rounds.
    least, most = 0.001 * resistor, 1000 * parallel(resistor, impedance)
    ohms = least * (most / least) ** between
    if pins_to == "supply":
        low = parallel(resistor, impedance)
        volts = excitation * low / (low + ohms)
    else:
        low = parallel(ohms, impedance)
        volts = excitation * low / (low + resistor)
    got = resistance(
        volts, excitation, resistor=resistor, pins_to=pins_to, input_impedance=impedance
    )
    assert got == pytest.approx(ohms, rel=1e-5)


def test_the_converters_input_stands_beside_the_resistor() -> None:
    # A 6 MOhm input makes 3.75 MOhm of a resistor of 10 MOhm (computed): pins of 3.75 MOhm then
    # halve the excitation, and would read as 10 MOhm if the input were forgotten.
    assert resistance(1.65, 3.3, resistor=1e7, input_impedance=6e6) == pytest.approx(3.75e6)
    assert resistance(1.65, 3.3, resistor=1e7) == pytest.approx(1e7)


@given(st.binary(max_size=30), st.binary(max_size=30))
def test_no_bytes_break_the_decoder(raw: bytes, scale: bytes) -> None:
    got = decode(raw, scale=scale, offset=b"0", probe="p")
    assert isinstance(got, Missing | Sample)


@pytest.mark.parametrize("content", [b"", b"nan", b"inf", b"1e999", b"1_0", b"12 34", b"\xff"])
def test_a_file_without_a_number_is_unreadable(content: bytes) -> None:
    for files in (
        {"raw": content, "scale": b"1", "offset": b"0"},
        {"raw": b"1", "scale": content, "offset": b"0"},
        {"raw": b"1", "scale": b"1", "offset": content},
    ):
        got = decode(files["raw"], scale=files["scale"], offset=files["offset"], probe="p")
        assert missing(got).why is Absence.UNREADABLE


def test_pins_behind_a_divider_are_read_in_ohms(tmp_path: Path) -> None:
    converter(tmp_path, {"in_voltage1_raw": "1100", "in_voltage_scale": "1"})
    address: dict[str, object] = {
        "channel": "voltage1",
        "divider": {"resistor": 1e6, "excitation": 3.3},
    }
    bus = iio.open_bus(settings({"pins": address}, root=tmp_path, device="ads1015"))
    (got,) = list(bus.poll(["pins"]))
    assert isinstance(got, Sample)
    assert got.unit == "Ohm"
    assert got.value == pytest.approx(2e6)


def test_a_missing_channel_leaves_the_others(tmp_path: Path) -> None:
    converter(tmp_path, {"in_voltage0_raw": "7", "in_voltage_scale": "1"})
    channels = LEVEL | {"other": {"channel": "voltage9"}}
    bus = iio.open_bus(settings(channels, root=tmp_path, device="ads1015"))
    gone, there = list(bus.poll(["other", "water level"]))
    assert missing(gone).detail == "ads1015 has no channel voltage9"
    assert there == Sample("water level", 7.0, "mV")


def test_a_channel_without_a_scale_is_unreadable(tmp_path: Path) -> None:
    converter(tmp_path, {"in_voltage0_raw": "7"})
    bus = iio.open_bus(settings(LEVEL, root=tmp_path, device="ads1015"))
    assert missing(next(iter(bus.poll(["water level"])))).why is Absence.UNREADABLE


def test_a_chip_that_does_not_answer_the_kernel_is_missing(tmp_path: Path) -> None:
    folder = converter(tmp_path, {"in_voltage_scale": "1"})
    (folder / "in_voltage0_raw").mkdir()  # reading it fails with an OSError
    bus = iio.open_bus(settings(LEVEL, root=tmp_path, device="ads1015"))
    assert missing(next(iter(bus.poll(["water level"])))).why is Absence.NO_ANSWER


def test_an_absent_converter_is_a_bus_error_that_says_what_is_there(tmp_path: Path) -> None:
    with pytest.raises(BusError, match="there is no such folder"):
        iio.open_bus(settings(LEVEL, root=tmp_path / "nowhere", device="ads1015"))
    with pytest.raises(BusError, match="no converter is called 'ads1015'; there are: none"):
        iio.open_bus(settings(LEVEL, root=tmp_path, device="ads1015"))
    converter(tmp_path, {}, name="mcp3008")
    with pytest.raises(
        BusError, match="no converter is called 'ads1015'; there are: mcp3008 at 1-0048"
    ):
        iio.open_bus(settings(LEVEL, root=tmp_path, device="ads1015"))


def test_two_converters_of_one_name_are_told_apart_by_their_seats(tmp_path: Path) -> None:
    for number, seat in enumerate(["1-0049", "1-0048"]):
        files = {"in_voltage0_raw": seat[-1], "in_voltage_scale": "1"}
        converter(tmp_path, files, number=number, seat=seat)
    with pytest.raises(BusError, match=r"2 .* called 'ads1015', at 1-0049, 1-0048, .* with seat"):
        iio.open_bus(settings(LEVEL, root=tmp_path, device="ads1015"))
    for seat in ("1-0048", "1-0049"):
        bus = iio.open_bus(settings(LEVEL, root=tmp_path, device="ads1015", seat=seat))
        assert bus.describe() == f"converter ads1015 at {seat}"
        assert list(bus.poll(["water level"])) == [Sample("water level", float(seat[-1]), "mV")]
    with pytest.raises(BusError, match="no converter is called 'ads1015' at 1-004a; there are: "):
        iio.open_bus(settings(LEVEL, root=tmp_path, device="ads1015", seat="1-004a"))


def test_a_number_taken_by_another_chip_is_a_bus_error_and_not_a_value(tmp_path: Path) -> None:
    folder = converter(tmp_path, {"in_voltage0_raw": "7", "in_voltage_scale": "1"})
    bus = iio.open_bus(settings(LEVEL, root=tmp_path, device="ads1015"))
    (folder / "name").write_text("mcp3008\n")
    with pytest.raises(BusError, match="'ads1015' is gone"):
        list(bus.poll(["water level"]))


def test_a_number_taken_by_another_chip_of_the_same_name_is_no_value_either(tmp_path: Path) -> None:
    files = {"in_voltage0_raw": "7", "in_voltage_scale": "1"}
    converter(tmp_path, files, seat="1-0048")
    bus = iio.open_bus(settings(LEVEL, root=tmp_path, device="ads1015"))
    (tmp_path / "iio:device0").unlink()
    with pytest.raises(BusError, match="'ads1015' is gone"):
        list(bus.poll(["water level"]))
    converter(tmp_path, files, seat="1-0049")
    with pytest.raises(BusError, match="'ads1015' is gone"):
        list(bus.poll(["water level"]))


def test_a_file_that_vanishes_between_two_polls_is_missing(tmp_path: Path) -> None:
    folder = converter(tmp_path, {"in_voltage0_raw": "7", "in_voltage_scale": "1"})
    bus = iio.open_bus(settings(LEVEL, root=tmp_path, device="ads1015"))
    (folder / "in_voltage0_raw").unlink()
    assert missing(next(iter(bus.poll(["water level"])))).why is Absence.NO_ANSWER


# 12 bits with a sign (computed): from -2048 to 2047.
@pytest.mark.parametrize(
    ("count", "known"), [(2046, True), (2047, False), (-2047, True), (-2048, False), (5000, False)]
)
def test_at_an_end_of_its_counts_a_converter_has_no_value(
    tmp_path: Path, count: int, known: bool
) -> None:
    converter(tmp_path, {"in_voltage0_raw": str(count), "in_voltage_scale": "0.5"})
    pins: dict[str, object] = {
        "channel": "voltage0",
        "divider": {"resistor": 1e6, "excitation": 3.3},
    }
    channels = LEVEL | {"pins": pins}
    bus = iio.open_bus(settings(channels, root=tmp_path, device="ads1015", highest=2047))
    for got in bus.poll(list(channels)):
        assert isinstance(got, Sample) is known
        if isinstance(got, Missing):
            assert got.why is Absence.UNREADABLE
            assert (
                f"beyond its range: it counted {count}, an end of its -2048 to 2047" in got.detail
            )


def test_a_supply_beyond_the_converters_range_gives_no_resistance(tmp_path: Path) -> None:
    files = {"in_voltage0_raw": "900", "in_voltage3_raw": "2047", "in_voltage_scale": "1"}
    converter(tmp_path, files)
    divider = {"resistor": 1e6, "excitation_channel": "voltage3"}
    address: dict[str, object] = {"channel": "voltage0", "divider": divider}
    bus = iio.open_bus(settings({"pins": address}, root=tmp_path, device="ads1015", highest=2047))
    assert "it counted 2047" in missing(next(iter(bus.poll(["pins"])))).detail
