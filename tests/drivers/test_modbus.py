"""Modbus RTU: registers alone, a real server over two joined ptys, and devices on bad days."""

import logging
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers.ptys import Recorded, Script, plugged, settings
from drivers.serving import serving
from longsoak.driver import BusSettings
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers import modbus
from longsoak_drivers.registerbus import ModbusBus, decode
from longsoak_drivers.registers import Address, Options
from waiting import wait_for

HOLDING_1 = bytes.fromhex("01 03 00 00 00 01 84 0a")  # device 1, holding register 0
SILENT = 9

PROBES: dict[str, dict[str, object]] = {
    "RH": {"device": 1, "input": 0, "scale": 0.1},
    "T": {"device": 1, "input": 1, "scale": 0.1},
    "mass": {"device": 1, "holding": 10, "type": "float32"},
    "count": {"device": 1, "holding": 12, "type": "uint32", "word_order": "little"},
    "float": {"device": 3, "discrete": 0},
    "dry": {"device": 3, "discrete": 1},
    "pump": {"device": 3, "coil": 0},
    "dead": {"device": SILENT, "input": 0},
    "beyond": {"device": 1, "input": 900},
}


def missing(got: Sample | Missing) -> Missing:
    assert isinstance(got, Missing)
    return got


@contextmanager
def wire(folder: Path) -> Iterator[tuple[Path, Path]]:
    """Two ptys joined end to end."""
    ends = folder / "here", folder / "there"
    command = ["socat", *(f"pty,raw,echo=0,link={end}" for end in ends)]
    with subprocess.Popen(command) as process:
        try:
            wait_for(
                lambda: all(end.exists() for end in ends), what="both ends of the line", limit=5.0
            )
            yield ends
        finally:
            process.terminate()


@contextmanager
def served(port: Path) -> Iterator[None]:
    """Run pymodbus's own serial server, with devices 1 and 3, and a dead device 9."""
    shelf = [SimData(address=0, values=[412, 65_336], datatype=DataType.REGISTERS)]  # -20.0
    held = [
        SimData(address=10, values=12.5, datatype=DataType.FLOAT32),
        SimData(address=12, values=[0x0001, 0x0002], datatype=DataType.REGISTERS),
    ]
    bits = [SimData(address=0, values=[True] + [False] * 15, datatype=DataType.BITS)]
    devices = [
        SimDevice(id=1, simdata=(bits, bits, held, shelf)),
        SimDevice(id=3, simdata=(bits, bits, held, shelf)),
    ]

    def swallow(sending: bool, frame: bytes) -> bytes:
        # The server answers for absent devices; on a real bus there is silence.
        return b"" if sending and frame[:1] == bytes([SILENT]) else frame

    def make() -> ModbusSerialServer:
        return ModbusSerialServer(devices, port=str(port), baudrate=9600, trace_packet=swallow)

    with serving(make):
        yield


def bus_settings(port: Path, *, timeout: float = 0.3, retries: int = 1) -> BusSettings:
    return settings(PROBES, unit="1", port=port, timeout=timeout, retries=retries)


# Computed from the types' definitions (two's complement, IEEE 754 single and double precision).
@pytest.mark.parametrize(
    ("registers", "address", "value"),
    [
        ([0xFFFF], {"type": "int16"}, -1.0),
        ([0xFFFF], {"type": "uint16"}, 65535.0),
        ([412], {"scale": 0.1}, 41.2),
        ([412], {"scale": 0.1, "offset": -40.0}, 1.2),
        ([0], {"type": "uint16", "scale": 0.01, "offset": -327.68}, -327.68),
        ([0xFFFF, 0xFFFE], {"type": "int32"}, -2.0),
        ([0x0001, 0x0002], {"type": "uint32"}, 65538.0),
        ([0x0002, 0x0001], {"type": "uint32", "word_order": "little"}, 65538.0),
        ([0x4148, 0x0000], {"type": "float32"}, 12.5),
        ([0x0000, 0x4148], {"type": "float32", "word_order": "little"}, 12.5),
        ([0xFFFF, 0xFFFF, 0xFFFF, 0xFFFE], {"type": "int64"}, -2.0),
        ([0x0020, 0, 0, 0], {"type": "uint64"}, 2.0**53),
        ([0x0002, 0x0001, 0, 0], {"type": "uint64", "word_order": "little"}, 65538.0),
        ([0x4029, 0, 0, 0], {"type": "float64"}, 12.5),
        ([0, 0, 0, 0x4029], {"type": "float64", "word_order": "little"}, 12.5),
    ],
)
def test_registers_become_a_number(
    registers: list[int], address: dict[str, object], value: float
) -> None:
    full = Address.model_validate({"device": 1, "input": 0} | address)
    got = decode(registers, address=full, probe="p", unit="%")
    assert isinstance(got, Sample)
    assert (got.probe, got.unit) == ("p", "%")
    assert got.value == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("registers", "kind", "says"),
    [
        ([0x7FC0, 0x0000], "float32", "7FC0 0000 hold no finite number"),
        ([0x7F80, 0x0000], "float32", "no finite number"),
        ([1], "float32", "1 registers came, float32 takes 2"),
        ([1, 2], "int16", "2 registers came, int16 takes 1"),
        ([], "int16", "0 registers came"),
        ([0x7FF8, 0, 0, 0], "float64", "7FF8 0000 0000 0000 hold no finite number"),
        ([1, 2], "float64", "2 registers came, float64 takes 4"),
        # 2**53 + 1 has no float of its own: kept as the next one, it would be altered.
        ([0x0020, 0, 0, 1], "uint64", "hold 9007199254740993, too long to be kept whole"),
        ([0xFFFF] * 4, "uint64", "too long to be kept whole"),
    ],
)
def test_registers_that_are_no_number_are_unreadable(
    registers: list[int], kind: str, says: str
) -> None:
    full = Address.model_validate({"device": 1, "input": 0, "type": kind})
    got = missing(decode(registers, address=full, probe="p", unit="%"))
    assert got.why is Absence.UNREADABLE
    assert says in got.detail


def test_a_real_server_is_read_and_a_dead_device_delays_only_itself(tmp_path: Path) -> None:
    with wire(tmp_path) as (here, there), served(there):
        bus = modbus.open_bus(bus_settings(here))
        start = time.monotonic()
        got = dict(zip(PROBES, list(bus.poll(list(PROBES))), strict=True))
        assert time.monotonic() - start < 5
        values = {probe: item.value for probe, item in got.items() if isinstance(item, Sample)}
        assert values == {
            "RH": pytest.approx(41.2),
            "T": pytest.approx(-20.0),
            "mass": 12.5,
            "count": 0x00020001,
            "float": 1.0,
            "dry": 0.0,
            "pump": 1.0,
        }
        assert missing(got["dead"]) == Missing(
            "dead", Absence.NO_ANSWER, "device 9: nothing came before the time limit"
        )
        assert missing(got["beyond"]) == Missing(
            "beyond",
            Absence.REFUSED,
            "device 1 answered with exception 2: it has no such register",
        )
        assert bus.describe() == f"3 devices on {here}"
        bus.close()
        bus.close()


def test_a_bus_without_its_server_is_silent_and_answers_again_when_it_is_back(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with wire(tmp_path) as (here, there):
        bus = modbus.open_bus(bus_settings(here, timeout=0.1, retries=0))
        with caplog.at_level(logging.DEBUG):
            for item in list(bus.poll(list(PROBES))):
                assert missing(item).why is Absence.NO_ANSWER
        assert [record for record in caplog.records if record.name.startswith("pymodbus")] == []
        with served(there):
            wait_for(
                lambda: list(bus.poll(["float"])) == [Sample("float", 1.0, "1")],
                what="the device behind it",
                limit=5.0,
            )
        bus.close()


def test_a_dead_device_is_asked_in_full_once_and_then_one_question_a_poll(tmp_path: Path) -> None:
    """Two probes and a retry each would take a second of every poll from a float beside it."""
    two: dict[str, dict[str, object]] = {
        "RH": {"device": 9, "input": 0},
        "T": {"device": 9, "input": 1},
    }
    answers = False

    def device(question: bytes) -> list[bytes | float]:
        body = b"\x09\x04\x02\x00\x2a"
        return [body + crc16(body)] if answers else []

    with plugged(tmp_path / "port", device, end=8) as dead:
        bus = modbus.open_bus(settings(two, unit="1", port=dead.path, timeout=0.1, retries=1))

        def asked() -> int:
            before = len(dead.heard)
            assert len(list(bus.poll(list(two)))) == 2
            return len(dead.heard) - before

        assert [asked(), asked(), asked()] == [3, 1, 1]
        answers = True
        assert list(bus.poll(list(two))) == [Sample("RH", 42.0, "1"), Sample("T", 42.0, "1")]
        answers = False
        assert asked() == 3
        bus.close()


# Frames with their checksums, computed; the layout is the specification's.
MINUS_ONE = bytes.fromhex("01 04 02 ff ff b8 80")
REFUSAL = bytes.fromhex("01 84 02 c2 c1")
REFUSAL_OF_3 = bytes.fromhex("01 83 02 c0 f1")


def test_the_question_on_the_wire_is_eight_bytes_with_their_checksum() -> None:
    # 01 03 0000 0001 has the checksum 84 0A (computed).
    port = Recorded(bytes.fromhex("01 03 02 00 07 f9 86"))
    address = Address(device=1, holding=0)
    options = Options(port="x", retries=0)
    bus = ModbusBus(port, options=options, addresses={"p": address}, units={"p": "mm"})
    assert list(bus.poll(["p"])) == [Sample("p", 7.0, "mm")]
    assert port.sent == [HOLDING_1]


@pytest.mark.parametrize(
    ("answer", "why", "says"),
    [
        (b"", Absence.NO_ANSWER, "nothing came"),
        (MINUS_ONE[:4], Absence.NO_ANSWER, "only 01 04 02 ff came"),
        (MINUS_ONE[:-1], Absence.BAD_CHECKSUM, "no frame in 01 04 02 ff ff b8"),
        (MINUS_ONE[:-1] + b"\x00", Absence.BAD_CHECKSUM, "no frame in"),
        (bytes.fromhex("28 08 d9 fa"), Absence.BAD_CHECKSUM, "no frame in 28 08 d9 fa"),
        (b"U" * 300, Absence.BAD_CHECKSUM, "no frame in"),
        (REFUSAL, Absence.REFUSED, "exception 2: it has no such register"),
        (REFUSAL_OF_3, Absence.UNREADABLE, "answered function 3, asked was 4"),
        (bytes.fromhex("01 02 01 01 60 48"), Absence.UNREADABLE, "answered function 2"),
        (bytes.fromhex("01 04 04 00 01 00 02 2b 85"), Absence.UNREADABLE, "2 registers came"),
        (bytes.fromhex("02 04 02 ff ff fc 80"), Absence.BAD_CHECKSUM, "no frame in"),
    ],
)
def test_a_frame_that_is_not_the_answer_is_missing(answer: bytes, why: Absence, says: str) -> None:
    port = Recorded(answer)
    bus = ModbusBus(
        port,
        options=Options(port="x", retries=0, timeout=0.05),
        addresses={"p": Address(device=1, input=0)},
        units={"p": "mm"},
    )
    got = missing(next(iter(bus.poll(["p"]))))
    assert got.why is why
    assert says in got.detail


def register(number: int, *, holds: int) -> tuple[bytes, bytes]:
    """Question and answer for an input register of device 1."""
    question = Recorded()
    bus = ModbusBus(
        question,
        options=Options(port="x", retries=0, timeout=0.05),
        addresses={"p": Address(device=1, input=number)},
        units={"p": "mm"},
    )
    list(bus.poll(["p"]))
    body = bytes([1, 4, 2]) + holds.to_bytes(2, "big")
    return question.sent[0], body + crc16(body)


def crc16(data: bytes) -> bytes:
    """CRC-16 of Modbus (reflected A001, from FFFF), written apart from the code under test."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")


@given(st.lists(st.binary(max_size=40), max_size=6))
def test_noise_is_missing_and_nothing_escapes(answers: list[bytes]) -> None:
    bus = ModbusBus(
        Recorded(*answers),
        options=Options(port="x", retries=1, timeout=0.05),
        addresses={"p": Address(device=1, input=0), "q": Address(device=3, discrete=0)},
        units={"p": "mm", "q": "1"},
    )
    for got in list(bus.poll(["p", "q"])):
        assert isinstance(got, Missing)


TWO: dict[str, dict[str, object]] = {
    "a": {"device": 1, "input": 0},
    "b": {"device": 1, "input": 1},
}


def two_registers(first: Script) -> Script:
    """Device 1 with input register 0, which does what `first` says, and 1, which holds 1."""
    question_1, answer_1 = register(1, holds=1)

    def answer(question: bytes) -> list[bytes | float]:
        return [answer_1] if question == question_1 else list(first(question))

    return answer


@pytest.mark.parametrize("retries", [0, 2])
@pytest.mark.parametrize("delay", [0.35, 0.5])
def test_a_late_answer_is_never_taken_for_another_register(
    tmp_path: Path, retries: int, delay: float
) -> None:
    """A frame says the device and not the register: too late, it would fit the next question."""
    question, late = register(0, holds=7777)
    script = two_registers(lambda asked: [delay, late])
    with plugged(tmp_path / "port", script, end=8) as device:
        bus = modbus.open_bus(
            settings(TWO, unit="mm", port=device.path, timeout=0.3, retries=retries)
        )
        a, b = list(bus.poll(["a", "b"]))
        assert missing(a).why is Absence.NO_ANSWER
        assert b == Sample("b", 1.0, "mm")
        assert device.heard.count(question) == retries + 1
        bus.close()


def test_a_frame_that_comes_byte_by_byte_in_time_is_read(tmp_path: Path) -> None:
    _, answer = register(0, holds=7)
    script = two_registers(lambda asked: [s for byte in answer for s in (bytes([byte]), 0.02)])
    with plugged(tmp_path / "port", script, end=8) as device:
        bus = modbus.open_bus(settings(TWO, unit="mm", port=device.path, timeout=0.5))
        assert list(bus.poll(["a", "b"])) == [Sample("a", 7.0, "mm"), Sample("b", 1.0, "mm")]
        bus.close()


def test_a_device_that_needs_a_second_question_is_read(tmp_path: Path) -> None:
    _, answer = register(0, holds=7)
    silent_once = iter([[], [answer]])
    script = two_registers(lambda asked: next(silent_once))
    with plugged(tmp_path / "port", script, end=8) as device:
        bus = modbus.open_bus(settings(TWO, unit="mm", port=device.path, timeout=0.2, retries=1))
        assert list(bus.poll(["a"])) == [Sample("a", 7.0, "mm")]
        bus.close()
