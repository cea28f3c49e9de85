"""What holds for any bytes a sensor may send: damaged answers, late ones, ones without an end."""

import tempfile
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.ptys import Recorded
from fuzz.oracles import crc16, mbap
from fuzz.polls import (
    SDI12_LONGEST,
    TIMEOUT,
    modbus_bus,
    polled,
    sdi12_bus,
)
from fuzz.streams import Piece, Wire, one_clock
from fuzz.targets import TARGETS
from longsoak.driver import BusDriver, BusKind, BusSettings, Channel
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Missing, Sample
from longsoak_drivers import hwmon, iio, lines, modbus, onewire, registerbus, scpi, sdi12

# The same examples in each run: what a new one finds belongs into the corpus, not into a run that
# was about something else.
same_each_time = settings(derandomize=True, deadline=None, max_examples=200, database=None)

LINE = b"P3,412000,Ohm*2E\n"  # the driver's own example
REGISTERS = bytes.fromhex("01 04 02 ff ff b8 80")  # device 1, input register, -1; CRC computed
MEMORY = bytes.fromhex("50 01 4b 46 7f ff 0c 10 e8")  # 21 degC, CRC computed

# Bodies as devices send them, to which a poll's target puts the checksum or the line end.
BODIES = {
    "lines_poll": [b"P3,412000,Ohm", b"T1,21.5,Cel", b"P3,error,open", b"P3,nan,Ohm"],
    "scpi_poll": [b"4.12E6", b"INVENTED,METER,0,1", b'-222,"range"', b'+0,"No error"', b"9.91E37"],
    "modbus_poll": [
        bytes.fromhex(body)
        for body in (
            "01 04 02 00 07",
            "01 03 04 00 00 3f c0",
            "03 02 01 01",
            "03 01 01 00",
            "01 04 04 00 01 00 02",
            "01 04 08 ff fe ff ff ff ff ff ff",
            "01 04 08 40 35 80 00 00 00 00 00",
            "01 84 02",
        )
    ],
    "sdi12_poll": [b"00013", b"00003", b"0+1.5-2+30", b"0", b"z00012", b"z+1.5-2.25"],
}
BODIES["modbus_tcp_poll"] = BODIES["modbus_poll"]


@pytest.mark.parametrize("name", TARGETS)
@same_each_time
@given(data=st.binary(max_size=120))
def test_noise_breaks_no_promise(name: str, data: bytes) -> None:
    TARGETS[name](data)


@st.composite
def damaged(draw: st.DrawFn, bodies: list[bytes]) -> bytes:
    """A piece as `fuzz.targets.pieces` reads it: a body with some bytes changed, and manners."""
    body = bytearray(draw(st.sampled_from(bodies)))
    for _ in range(draw(st.integers(0, 2))):
        body[draw(st.integers(0, len(body) - 1))] = draw(st.integers(0, 255))
    manners = draw(st.integers(0, 0x1F)) & ~0x04 | (0x04 if draw(st.integers(0, 9)) == 0 else 0)
    return bytes([manners, len(body)]) + body


@pytest.mark.parametrize("name", BODIES)
@same_each_time
@given(data=st.data())
def test_damaged_late_and_endless_answers_break_no_promise(name: str, data: st.DataObject) -> None:
    TARGETS[name](b"".join(data.draw(st.lists(damaged(BODIES[name]), max_size=12))))


def test_no_changed_byte_of_a_line_gives_another_value() -> None:
    # An XOR shows every change of one byte; all of them, not a sample.
    whole = lines.decode(LINE, name="P3", probe="p")
    assert whole == Sample("p", 412000.0, "Ohm")
    for at in range(len(LINE)):
        for byte in range(256):
            line = LINE[:at] + bytes([byte]) + LINE[at + 1 :]
            got = lines.decode(line, name="P3", probe="p")
            assert got == whole or isinstance(got, Missing), line


def flipped(data: bytes, bits: tuple[int, ...]) -> bytes:
    turned = bytearray(data)
    for bit in bits:
        turned[bit // 8] ^= 1 << bit % 8
    return bytes(turned)


def test_no_one_or_two_changed_bits_of_a_frame_give_a_value() -> None:
    # CRC-16 shows any two changed bits in a frame this short; all of them, through the client.
    def poll(frame: bytes) -> Sample | Missing:
        bus = registerbus.ModbusBus(
            Recorded(frame),
            options=modbus.Options(port="x", retries=0, timeout=0.05),
            addresses={"p": modbus.Address(device=1, input=0)},
            units={"p": "mm"},
        )
        (got,) = bus.poll(["p"])
        return got

    assert poll(REGISTERS) == Sample("p", -1.0, "mm")
    every = range(8 * len(REGISTERS))
    for bits in [(bit,) for bit in every] + list(combinations(every, 2)):
        assert isinstance(poll(flipped(REGISTERS, bits)), Missing), bits


def test_no_one_or_two_changed_bits_of_a_thermometers_memory_give_a_value() -> None:
    def read(memory: bytes) -> Sample | Missing:
        text = memory.hex(" ")
        content = f"{text} : crc={text[-2:]} YES\n{text} t=21000\n"
        return onewire.decode(content.encode("ascii"), probe="p")

    assert read(MEMORY) == Sample("p", 21.0, "Cel")
    every = range(8 * len(MEMORY))
    for bits in [(bit,) for bit in every] + list(combinations(every, 2)):
        assert isinstance(read(flipped(MEMORY, bits)), Missing), bits


Delays = st.lists(st.floats(0, 8), min_size=1, max_size=8)  # in time limits


@same_each_time
@given(delays=Delays)
def test_a_slow_meters_number_never_goes_to_another_channel(delays: list[float]) -> None:
    # Bare numbers in the order of the questions, as slow as they like. A channel's number is a
    # thousand times the channel and the count of what it was asked.
    asked = {1: 0, 2: 0}
    free_at = 0.0
    left = iter(delays * 20)

    def answer(question: bytes) -> list[Piece]:
        nonlocal free_at
        text = question.decode("ascii").strip()
        if text.startswith("MEAS"):
            channel = int(text.rpartition("@")[2].rstrip(")"))
            asked[channel] += 1
            says, takes = f"{1000 * channel + asked[channel]}", TIMEOUT * next(left, 0.0)
        elif text.endswith("?"):
            says, takes = {"*IDN?": "INVENTED,METER,0,1", "SYST:ERR?": '0,"No error"'}[text], 0.0
        else:
            return []
        free_at = max(free_at, line.now) + takes
        return [Piece(says.encode("ascii") + b"\n", after=free_at - line.now)]

    line = Wire(answer, timeout=TIMEOUT)
    channels = {str(n): Channel(str(n), "Ohm", {"channel": n}) for n in asked}
    meter = scpi.Meter(line, channels=channels, query="MEAS:RES? (@{channel})", where="port")
    with suppress(BusError):  # too slow to tell its name
        for _ in range(4):
            for got in meter.poll(["1", "2"]):
                if isinstance(got, Sample):
                    assert got.value == 1000 * int(got.probe) + asked[int(got.probe)]


def registers_stay_apart(answer: Callable[[bytes], list[Piece]], options: modbus.Options) -> None:
    """Poll three registers that hold their own numbers; none may come under another's name."""
    line = Wire(answer, timeout=TIMEOUT)
    addresses = {str(n): modbus.Address(device=1, input=n) for n in (1, 2, 3)}
    bus = registerbus.ModbusBus(
        line, options=options, addresses=addresses, units=dict.fromkeys(addresses, "1")
    )
    with one_clock(line):
        for _ in range(4):
            for got in bus.poll(["1", "2", "3"]):
                assert isinstance(got, Missing) or got.value == int(got.probe)


@same_each_time
@given(delays=Delays)
def test_an_answer_over_the_network_however_late_never_goes_to_another_probe(
    delays: list[float],
) -> None:
    left = iter(delays * 20)

    def answer(question: bytes) -> list[Piece]:
        body = question[6:8] + b"\x02" + question[8:10]  # a register holds its own number
        return [Piece(mbap(question, body), after=TIMEOUT * next(left, 0.0))]

    registers_stay_apart(answer, modbus.Options(tcp="x:502", timeout=TIMEOUT, retries=1))


@same_each_time
@given(delays=st.lists(st.floats(0, 1.9), min_size=1, max_size=8))
def test_a_late_register_never_goes_to_another_probe(delays: list[float]) -> None:
    # Up to twice the time limit, as the driver says of itself.
    left = iter(delays * 20)

    def answer(question: bytes) -> list[Piece]:
        frame = question[:2] + b"\x02" + question[2:4]  # a register holds its own number
        return [Piece(frame + crc16(frame), after=TIMEOUT * next(left, 0.0))]

    registers_stay_apart(answer, modbus.Options(port="port", timeout=TIMEOUT, retries=1))


@same_each_time
@given(delays=st.lists(st.floats(0, 1.4), min_size=1, max_size=8))
def test_a_late_value_never_goes_to_another_measurement_of_its_sensor(delays: list[float]) -> None:
    # Values name their sensor, not the measurement they belong to. Up to one and a half times the
    # time limit, which the driver waits after a silence.
    left = iter(delays * 40)
    started = b""

    def answer(question: bytes) -> list[Piece]:
        nonlocal started
        if question == b"0!":
            return [Piece(b"0\r\n")]
        if b"D" in question:
            body = b"0+1" if started == b"0MC!" else b"0+2"
            body += sdi12.crc(body)
        else:
            started, body = question, b"00001"
        return [Piece(body + b"\r\n", after=TIMEOUT * next(left, 0.0))]

    line = Wire(answer, timeout=TIMEOUT)
    addresses = {str(n): sdi12.Address(sensor="0", measurement=n - 1) for n in (1, 2)}
    with one_clock(line):
        bus = sdi12.SdiBus(
            line,
            addresses=addresses,
            units=dict.fromkeys(addresses, "%"),
            timeout=TIMEOUT,
            longest=2.0,
            where="port",
        )
        for _ in range(4):
            for got in bus.poll(["1", "2"]):
                assert isinstance(got, Missing) or got.value == int(got.probe)


@same_each_time
@given(delays=Delays)
def test_a_late_line_never_goes_to_another_name(delays: list[float]) -> None:
    left = iter(delays * 20)

    def answer(question: bytes) -> list[Piece]:
        name = question.decode("ascii").strip("?\n")
        body = f"{name},{name[1:]},Ohm".encode("ascii")
        end = b"*" + lines.checksum(body) + b"\n"
        return [Piece(body + end, after=TIMEOUT * next(left, 0.0))]

    line = Wire(answer, timeout=TIMEOUT)
    names = {"1": "P1", "2": "P2", "3": "P3"}
    bus = lines.LineBus(line, names=names, timeout=TIMEOUT, where="port")
    for _ in range(4):
        for got in bus.poll(["1", "2", "3"]):
            assert isinstance(got, Missing) or got.value == int(got.probe)


def open_lines(line: Wire) -> lines.LineBus:
    return lines.LineBus(line, names={"p": "P3"}, timeout=TIMEOUT, where="port")


@pytest.mark.parametrize(
    ("opened", "within"),
    [
        (open_lines, 2 * TIMEOUT + 0.1),
        (partial(modbus_bus, tcp=False), 10 * TIMEOUT + 0.1),
        (partial(modbus_bus, tcp=True), 10 * TIMEOUT + 0.1),
        (sdi12_bus, SDI12_LONGEST),
    ],
    ids=["lines", "modbus", "modbus over tcp", "sdi12"],
)
@pytest.mark.parametrize(
    "piece",
    [
        Piece(b"U", for_ever=True),
        Piece(b"\x01\x04\x02", for_ever=True),
        Piece(LINE[:-1], for_ever=True),
        Piece(b"\n", for_ever=True),
        Piece(REGISTERS, apart=0.9 * TIMEOUT),
        Piece(LINE, apart=0.9 * TIMEOUT),
        Piece(bytes(1000), apart=0.01),
        Piece(b"00029\r\n", for_ever=True),
    ],
    ids=["noise", "heads", "half lines", "line ends", "drops", "letters", "zeros", "promises"],
)
def test_a_device_that_never_stops_holds_a_poll_no_longer_than_its_limits(
    opened: Callable[[Wire], BusDriver], within: float, piece: Piece
) -> None:
    line = Wire(lambda _: [piece], timeout=TIMEOUT)
    with one_clock(line):
        bus = opened(line)
        for _ in range(3):
            polled(bus.poll(["p"]), ["p"], line, within=within, holds=lambda _: False)


@pytest.mark.parametrize(
    "piece",
    [Piece(b"U", for_ever=True), Piece(b"1\n", for_ever=True), Piece(b"1" * 999, apart=0.4)],
)
def test_a_meter_that_never_stops_holds_opening_and_polls_no_longer_than_their_limits(
    piece: Piece,
) -> None:
    line = Wire(lambda _: [piece], timeout=TIMEOUT)
    channels = {"p": Channel("p", "Ohm", {"channel": 1})}
    with pytest.raises(BusError, match="nothing answered"):
        scpi.Meter(line, channels=channels, query="MEAS:RES? (@{channel})", where="port")
    assert line.now < (scpi.STALE_LINES + scpi.PATIENCE) * TIMEOUT + 1.1


Content = st.one_of(
    st.binary(max_size=30),
    st.sampled_from([b"1024\n", b"3.000000\n", b"-40\n", b"0\n", b"nan\n", b"1e400\n"]),
)


@pytest.mark.parametrize(
    ("kind", "folder", "files", "address", "options"),
    [
        (
            iio,
            "iio:device0",
            ["in_voltage0_raw", "in_voltage0_scale", "in_voltage_scale", "in_voltage0_offset"],
            {"channel": "voltage0"},
            {"device": "adc"},
        ),
        (
            hwmon,
            "hwmon0",
            ["temp1_input", "temp1_fault"],
            {"chip": "adc", "channel": "temp1"},
            {},
        ),
        (onewire, "28-0316a2795c13", ["w1_slave"], {"id": "28-0316a2795c13"}, {}),
    ],
)
@settings(same_each_time, max_examples=60)
@given(data=st.data())
def test_a_tree_of_any_content_is_answered_with_items_or_a_bus_error(
    kind: BusKind,
    folder: str,
    files: list[str],
    address: dict[str, object],
    options: dict[str, object],
    data: st.DataObject,
) -> None:
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        (root / folder).mkdir()
        (root / folder / "name").write_bytes(data.draw(st.sampled_from([b"adc\n", b"x", b"\xff"])))
        for file in files:
            content = data.draw(st.none() | Content)
            if content is not None:
                (root / folder / file).write_bytes(content)
        bus = BusSettings("bus", {"root": str(root), **options}, (Channel("p", "%", address),))
        with suppress(BusError):
            (got,) = kind.open_bus(bus).poll(["p"])
            assert got.probe == "p"
