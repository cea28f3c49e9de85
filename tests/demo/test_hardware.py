"""The faked instruments, spoken to as any program would: serial ports, Modbus, files."""

import os
from collections.abc import Iterator
from contextlib import closing
from functools import reduce
from operator import xor
from pathlib import Path

import pytest
import serial
from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ModbusIOException

from demo.running import Running
from longsoak_demo.events import Event, Kind
from longsoak_demo.places import BY_NAME, PLACES
from longsoak_demo.sysfs import crc8, thermometer_file
from longsoak_demo.tray import RUNS_CURRENT, RUNS_FLOW


def ask(port: serial.Serial, question: bytes) -> bytes:
    port.write(question)
    return port.read_until(b"\n")


@pytest.fixture
def meter(rig: Running) -> Iterator[serial.Serial]:
    with serial.Serial(str(rig.folder / "ports" / "meter"), timeout=0.5, exclusive=True) as port:
        yield port


@pytest.fixture
def front_end(rig: Running) -> Iterator[serial.Serial]:
    with serial.Serial(str(rig.folder / "ports" / "front-end"), timeout=0.5) as port:
        yield port


@pytest.fixture
def air(rig: Running) -> Iterator[ModbusSerialClient]:
    port = str(rig.folder / "ports" / "air")
    with closing(ModbusSerialClient(port, baudrate=9600, timeout=0.5, retries=0)) as client:
        assert client.connect()
        yield client


def test_the_meter_says_it_is_simulated(meter: serial.Serial) -> None:
    assert ask(meter, b"*IDN?\n") == b"SIMULATED,METER-SCANNER,0,1\n"


def test_the_meter_measures_a_channel_in_scpis_exponent_form(
    rig: Running, meter: serial.Serial
) -> None:
    answer = ask(meter, b"MEAS:RES? (@101)\n")
    assert answer == f"{rig.bench.reading(BY_NAME['cork 30/60']):+.6E}\n".encode()
    assert float(ask(meter, b"MEAS:RES? (@120)\n")) == pytest.approx(10e6, rel=0.01)
    assert ask(meter, b"SYST:ERR?\n") == b'0,"No error"\n'


def test_the_meter_measures_a_list_of_channels_in_its_order(meter: serial.Serial) -> None:
    alone = [ask(meter, b"MEAS:RES? (@%d)\n" % channel).strip() for channel in (101, 102, 103)]
    assert ask(meter, b"MEAS:RES? (@102,101:103)\n").strip().split(b",") == [alone[1], *alone]


# SCPI-99, volume 2, error numbers -113 and -222 (from memory).
@pytest.mark.parametrize(
    ("command", "error"),
    [
        (b"MEAS:RES? (@119)\n", b'-222,"Data out of range"\n'),
        (b"MEAS:RES? (@1:2:3)\n", b'-222,"Data out of range"\n'),
        (b"FLOW?\n", b'-113,"Undefined header"\n'),
    ],
)
def test_the_meter_files_what_it_cannot_do_as_an_error(
    meter: serial.Serial, command: bytes, error: bytes
) -> None:
    meter.write(command)
    assert ask(meter, b"SYST:ERR?\n") == error
    assert ask(meter, b"SYST:ERR?\n") == b'0,"No error"\n'


def test_an_open_wire_reads_as_scpis_infinity_until_it_is_mended(
    rig: Running, meter: serial.Serial
) -> None:
    rig.happen(Event(0, Kind.OPEN_WIRE, probe="cork 30/60"))
    assert ask(meter, b"MEAS:RES? (@101)\n") == b"+9.900000E+37\n"  # SCPI-99 (from memory)
    assert float(ask(meter, b"MEAS:RES? (@102)\n")) < 1e11
    rig.happen(Event(1, Kind.MEND, probe="cork 30/60"))
    assert float(ask(meter, b"MEAS:RES? (@101)\n")) < 1e11


def test_drift_is_a_share_of_a_resistance(rig: Running, meter: serial.Serial) -> None:
    before = float(ask(meter, b"MEAS:RES? (@120)\n"))
    rig.happen(Event(0, Kind.DRIFT, probe="meter reference", amount=5))
    assert float(ask(meter, b"MEAS:RES? (@120)\n")) == pytest.approx(1.05 * before, rel=1e-5)


def test_noise_without_a_line_end_does_not_pile_up(meter: serial.Serial) -> None:
    for _ in range(20):
        meter.write(b"\x00" * 1000)
    meter.write(b"\n*CLS\n")
    assert ask(meter, b"*IDN?\n").startswith(b"SIMULATED")


def checksum(body: bytes) -> bytes:
    return b"%02X" % reduce(xor, body, 0)


def test_the_checksum_is_nmea_0183s() -> None:
    # A sentence often printed to explain NMEA 0183 (second hand).
    assert checksum(b"GPGLL,5300.97914,N,00259.98174,E,125926,A") == b"28"


def test_the_front_end_answers_with_name_value_unit_and_checksum(
    rig: Running, front_end: serial.Serial
) -> None:
    answer = ask(front_end, b"?P1\n")
    body, _, digits = answer.removesuffix(b"\r\n").rpartition(b"*")
    name, value, unit = body.split(b",")
    assert digits == checksum(body)
    assert (name, unit) == (b"P1", b"Ohm")
    assert float(value) == pytest.approx(rig.bench.reading(BY_NAME["plain 30/60"]), abs=0.5)
    assert ask(front_end, b"?REF\n").startswith(b"REF,")


def test_the_front_end_is_silent_for_a_name_it_does_not_know(front_end: serial.Serial) -> None:
    assert ask(front_end, b"?P13\n") == b""
    assert ask(front_end, b"?P12\n").startswith(b"P12,")


def test_a_silenced_probe_gives_no_answer_and_a_mended_bus_does(
    rig: Running, front_end: serial.Serial
) -> None:
    rig.happen(Event(0, Kind.SILENCE, probe="plain 30/60"))
    assert ask(front_end, b"?P1\n") == b""
    assert ask(front_end, b"?P2\n").startswith(b"P2,")
    rig.happen(Event(1, Kind.SILENCE, bus="front end"))
    assert ask(front_end, b"?P2\n") == b""
    rig.happen(Event(2, Kind.MEND, bus="front end"))
    assert ask(front_end, b"?P1\n").startswith(b"P1,")


def test_the_transmitters_give_tenths_of_percent_and_degrees(
    rig: Running, air: ModbusSerialClient
) -> None:
    for device, side in ((1, "wet"), (2, "dry")):
        humidity, temperature = air.read_input_registers(0, count=2, device_id=device).registers
        assert humidity == round(rig.bench.reading(BY_NAME[f"air {side} RH"]) * 10)
        assert temperature == round(rig.bench.reading(BY_NAME[f"air {side} T"]) * 10)


def test_frost_is_a_negative_register(rig: Running, air: ModbusSerialClient) -> None:
    rig.happen(Event(0, Kind.DRIFT, probe="air dry T", amount=-30))
    (register,) = air.read_input_registers(1, count=1, device_id=2).registers
    assert register > 0x7FFF
    assert (register - 0x10000) / 10 == pytest.approx(
        rig.bench.reading(BY_NAME["air dry T"]), abs=0.051
    )


def test_the_float_lifts_when_the_tray_is_overfilled(rig: Running, air: ModbusSerialClient) -> None:
    assert not air.read_discrete_inputs(0, count=1, device_id=3).bits[0]
    rig.happen(Event(0, Kind.OVERFILL))
    assert air.read_discrete_inputs(0, count=1, device_id=3).bits[0]
    rig.happen(Event(1, Kind.MEND))
    assert not air.read_discrete_inputs(0, count=1, device_id=3).bits[0]


def pump(air: ModbusSerialClient) -> tuple[float, float]:
    """Current in A and flow in L/min, from the hundredths in the box's registers."""
    current, flow = air.read_input_registers(0, count=2, device_id=4).registers
    return current / 100, flow / 100


def test_the_pumps_box_follows_the_pump(rig: Running, air: ModbusSerialClient) -> None:
    tray = rig.bench.pair.tray
    current, flow = pump(air)
    assert current == pytest.approx(tray.current, abs=0.02)
    assert flow == pytest.approx(tray.flow, abs=0.02)
    assert current > RUNS_CURRENT
    assert flow > RUNS_FLOW
    rig.happen(Event(0, Kind.PUMP_STOP))
    assert max(pump(air)) <= 0.02
    rig.happen(Event(1, Kind.PUMP_START))
    assert pump(air) == (current, flow)


def test_a_clamp_with_a_broken_wire_reads_as_a_pump_that_stands_still_and_the_wheel_turns_on(
    rig: Running, air: ModbusSerialClient
) -> None:
    _, before = pump(air)
    rig.happen(Event(0, Kind.OPEN_WIRE, probe="pump current"))
    assert pump(air) == (0, before)


def test_an_absent_device_and_a_silenced_one_are_really_silent(
    rig: Running, air: ModbusSerialClient
) -> None:
    with pytest.raises(ModbusIOException):
        air.read_input_registers(0, count=1, device_id=9)
    rig.happen(Event(0, Kind.SILENCE, probe="air dry RH"))
    with pytest.raises(ModbusIOException):
        air.read_input_registers(0, count=1, device_id=2)
    assert not air.read_input_registers(0, count=1, device_id=1).isError()
    rig.happen(Event(1, Kind.MEND, probe="air dry RH"))
    assert not air.read_input_registers(0, count=1, device_id=2).isError()


def test_a_register_that_is_not_there_is_refused(air: ModbusSerialClient) -> None:
    # Modbus application protocol V1.1b3, section 7: exception 2 (from memory).
    assert air.read_input_registers(40, count=1, device_id=1).exception_code == 2


def test_a_port_pulled_out_fails_under_its_user_and_comes_back(
    rig: Running, meter: serial.Serial
) -> None:
    link = rig.folder / "ports" / "meter"
    assert ask(meter, b"*IDN?\n")
    rig.happen(Event(0, Kind.UNPLUG, bus="meter"))
    assert not os.path.lexists(link)
    with pytest.raises(serial.SerialException):
        ask(meter, b"*IDN?\n")
    rig.happen(Event(1, Kind.REPLUG, bus="meter"))
    with serial.Serial(str(link), timeout=0.5) as port:
        assert ask(port, b"*IDN?\n").startswith(b"SIMULATED")


def test_the_modbus_line_survives_being_pulled_out(rig: Running) -> None:
    rig.happen(Event(0, Kind.UNPLUG, bus="air"), Event(1, Kind.MEND))
    port = str(rig.folder / "ports" / "air")
    with closing(ModbusSerialClient(port, baudrate=9600, timeout=0.5, retries=0)) as client:
        assert client.connect()
        assert not client.read_input_registers(0, count=1, device_id=1).isError()


@pytest.mark.parametrize(
    ("name", "question", "answer"),
    [
        ("meter", b"*IDN?\n", b"SIMULATED"),
        ("front-end", b"?REF\n", b"REF,"),
        ("over-water", b"0!", b"0\r\n"),
    ],
)
def test_a_port_answers_again_after_it_was_closed(
    rig: Running, name: str, question: bytes, answer: bytes
) -> None:
    for _ in range(3):
        with serial.Serial(str(rig.folder / "ports" / name), timeout=0.5) as port:
            assert ask(port, question).startswith(answer)


# Bytes of a real thermometer, as printed in a public question (second hand;
# raspberrypi.stackexchange.com, question 48106).
def test_the_one_wire_checksum_is_that_of_a_recorded_thermometer() -> None:
    assert crc8(bytes.fromhex("5e 01 ff ff 7f ff ff ff")) == 0x52
    recorded = "5e 01 ff ff 7f ff ff ff 52 t=21875"
    assert thermometer_file(21.875).startswith(recorded[:5])
    assert thermometer_file(21.875).endswith("t=21875\n")


# Chip maker's data sheet, temperature and data relationship (from memory).
@pytest.mark.parametrize(
    ("temperature", "low", "high"),
    [(85.0, 0x50, 0x05), (25.0625, 0x91, 0x01), (-0.5, 0xF8, 0xFF), (-10.125, 0x5E, 0xFF)],
)
def test_temperatures_are_packed_as_the_chip_packs_them(
    temperature: float, low: int, high: int
) -> None:
    first, second = thermometer_file(temperature).splitlines()
    assert first.startswith(f"{low:02x} {high:02x} ")
    assert int(second.partition("t=")[2]) == pytest.approx(temperature * 1000, abs=1)


def thermometer(rig: Running, number: int) -> Path:
    return rig.folder / "w1" / f"28-0000072431a{number}" / "w1_slave"


def test_a_thermometers_file_has_the_kernels_two_lines(rig: Running) -> None:
    first, second = thermometer(rig, 1).read_text().splitlines()
    scratchpad = bytes.fromhex(first.partition(" :")[0])
    assert crc8(scratchpad) == 0  # over data that ends in its own checksum
    assert first.endswith(f": crc={scratchpad[8]:02x} YES")
    assert second.startswith(first.partition(" :")[0])
    assert int(second.partition("t=")[2]) / 1000 == pytest.approx(
        rig.bench.pair.timber["cork-lime"], abs=0.3
    )


def test_a_broken_wire_fails_the_thermometers_checksum_and_a_silent_one_is_gone(
    rig: Running,
) -> None:
    rig.happen(
        Event(0, Kind.OPEN_WIRE, probe="cork timber"), Event(0, Kind.SILENCE, probe="plain timber")
    )
    assert thermometer(rig, 1).read_text().splitlines()[0].endswith("NO")
    assert not thermometer(rig, 2).parent.exists()
    rig.happen(Event(1, Kind.MEND))
    assert "YES" in thermometer(rig, 1).read_text()
    assert "YES" in thermometer(rig, 2).read_text()


def level(rig: Running) -> float:
    folder = rig.folder / "iio" / "iio:device0"
    assert (folder / "name").read_text() == "ads1015\n"
    millivolts = int((folder / "in_voltage0_raw").read_text()) * float(
        (folder / "in_voltage_scale").read_text()
    )
    return -20 + 0.1 * millivolts


def test_the_level_comes_through_the_converters_files(rig: Running) -> None:
    assert level(rig) == pytest.approx(rig.bench.pair.tray.depth, abs=0.8)
    rig.happen(Event(0, Kind.OVERFILL, amount=8.16))
    assert level(rig) == pytest.approx(88 + 20, abs=0.8)
    rig.happen(Event(1, Kind.OPEN_WIRE, probe="water level"))
    assert level(rig) == -20


def shop(rig: Running) -> tuple[float, float]:
    """What the chip's files say in per cent and degC; the seat is where a driver looks for it."""
    folder = rig.folder / "hwmon" / "hwmon0"
    assert (folder / "name").read_text() == "sht3x\n"
    assert (folder / "device").readlink().name == "1-0044"
    # Linux, Documentation/hwmon/sysfs-interface.rst: thousandths of a degree, of a per cent.
    return (
        int((folder / "humidity1_input").read_text()) / 1000,
        int((folder / "temp1_input").read_text()) / 1000,
    )


def test_the_shops_air_comes_through_the_chips_files_until_it_is_cut_off(rig: Running) -> None:
    humidity, temperature = shop(rig)
    air = rig.bench.pair.shop_air
    assert humidity == pytest.approx(air.humidity * 100, abs=1.0)
    assert temperature == pytest.approx(air.temperature, abs=0.2)
    rig.happen(Event(0, Kind.SILENCE, probe="shop T"))
    assert list((rig.folder / "hwmon").iterdir()) == []
    rig.happen(Event(1, Kind.MEND))
    assert shop(rig) == (humidity, temperature)


@pytest.mark.parametrize(("bus", "tree"), [("timber", "w1"), ("tray", "iio"), ("shop", "hwmon")])
def test_an_unplugged_tree_is_gone_until_it_is_plugged_in(
    rig: Running, bus: str, tree: str
) -> None:
    rig.happen(Event(0, Kind.UNPLUG, bus=bus))
    assert not (rig.folder / tree).exists()
    rig.happen(Event(1, Kind.REPLUG, bus=bus))
    assert any((rig.folder / tree).iterdir())


def test_the_same_seed_and_time_give_the_same_noise(rig: Running) -> None:
    assert [rig.bench.reading(p) for p in PLACES] == [rig.bench.reading(p) for p in PLACES]
    names = [place for place in PLACES if place.kind == "pins"]
    assert len({rig.bench.reading(p) for p in names}) == len(names)
