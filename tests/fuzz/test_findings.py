"""What fuzzing brought to light, by name."""

import os
import threading
from contextlib import suppress
from pathlib import Path

import pytest

from drivers.ptys import Recorded
from fuzz.oracles import crc16, mbap
from fuzz.streams import Piece, Wire
from longsoak.vocabulary.sample import Absence, Missing
from longsoak_drivers import iio
from longsoak_drivers.registerbus import ModbusBus
from longsoak_drivers.registers import Address, Options
from longsoak_drivers.transport.kernelfile import read_bytes


@pytest.mark.parametrize(
    ("body", "address"),
    [
        ("01 04 03 00 07 09", Address(device=1, input=0)),
        ("01 04 05 00 07 09 00 01", Address(device=1, input=0, type="uint32")),
        ("03 02 02 01 01", Address(device=3, discrete=0)),
        ("03 01 00", Address(device=3, coil=0)),
    ],
)
def test_a_frame_with_more_or_fewer_bytes_than_were_asked_for_is_no_value(
    body: str, address: Address
) -> None:
    # Modbus application protocol V1.1b3, 6.1 to 6.4 (from memory): two bytes a register; one
    # byte for up to eight bits. Three bytes for one register had passed for the first two of
    # them, and any number of bytes for one bit.
    frame = bytes.fromhex(body)
    bus = ModbusBus(
        Recorded(frame + crc16(frame)),
        options=Options(port="x", retries=0, timeout=0.05),
        addresses={"p": address},
        units={"p": "mm"},
    )
    (got,) = bus.poll(["p"])
    assert isinstance(got, Missing), got
    assert got.why in (Absence.UNREADABLE, Absence.BAD_CHECKSUM)


@pytest.mark.parametrize(
    ("body", "address"),
    [
        ("01 04 02 00 07 01 02", Address(device=1, input=0)),
        ("01 03 04 00 07 00 01 00", Address(device=1, holding=0, type="uint32")),
        ("03 02 05 01", Address(device=3, discrete=0)),
        ("03 01 00 01", Address(device=3, coil=0)),
    ],
)
def test_over_the_network_an_answer_that_miscounts_its_own_bytes_is_no_value(
    body: str, address: Address
) -> None:
    # Modbus messaging on TCP/IP V1.0b, 3.1.3 (from memory): the header counts what follows, so
    # nothing but the counts themselves shows that the two disagree. Such answers had passed.
    wire = Wire(lambda question: [Piece(mbap(question, bytes.fromhex(body)))], timeout=0.05)
    bus = ModbusBus(
        wire,
        options=Options(tcp="x:502", retries=0, timeout=0.05),
        addresses={"p": address},
        units={"p": "mm"},
    )
    (got,) = bus.poll(["p"])
    assert isinstance(got, Missing), got
    assert got.why in (Absence.UNREADABLE, Absence.BAD_CHECKSUM)


def test_a_nearly_open_circuit_loses_no_digits_to_subtraction() -> None:
    # Ohm's law the other way round: these pins put the same voltage at the input. What is left of
    # 5 V after taking the rest of 5 V away had half its digits.
    volts = 5e-11
    pins = iio.Divider(resistor=1e6, excitation=5).resistance(volts, excitation=5)
    assert 5 * 1e6 / (1e6 + pins) == pytest.approx(volts, rel=1e-14, abs=0)


def test_a_file_that_does_not_end_is_refused_and_not_read_into_memory(tmp_path: Path) -> None:
    # No file of the kernel's is longer than a page (Linux, Documentation/filesystems/sysfs.rst,
    # from memory); one that is belongs to a wrong root, and had been read to its end or for ever.
    endless = tmp_path / "endless"
    os.mkfifo(endless)

    def feed() -> None:
        with suppress(BrokenPipeError), endless.open("wb", buffering=0) as end:
            for _ in range(256):
                end.write(bytes(4096))

    feeder = threading.Thread(target=feed)
    feeder.start()
    with pytest.raises(OSError, match="more than 65536 bytes"):
        read_bytes(endless)
    feeder.join(5)
    assert not feeder.is_alive()
