"""What goes wrong on serial lines in the field, each under the worker that has to live with it.

Every test lets a shipped driver run into the fault on a real port, sees it told in words, and sees
good readings come again without anybody starting anything anew.
"""

import threading
from collections.abc import Iterable
from pathlib import Path

import pytest

from drivers.ptys import plugged
from longsoak.vocabulary.sample import Absence, Sample
from longsoak_drivers import lines, modbus
from longsoak_drivers.lines import checksum
from service.faultbench import Addresses, _soon, working  # noqa: F401 - a fixture
from service.serialfaults import misread, rtu

pytestmark = pytest.mark.usefixtures("_soon")

P3: Addresses = {"pins": {"name": "P3"}}
GOOD = Sample("pins", 412000.0, "Ohm")


def framed(body: bytes) -> bytes:
    return body + b"*" + checksum(body) + b"\r\n"


LINE = framed(b"P3,412000,Ohm")


def front_end(question: bytes) -> list[bytes | float]:
    return [LINE]


# 57600 is half the speed, and 9600 the speed most often left at its default.
@pytest.mark.parametrize("speed", [57600, 9600])
def test_a_front_end_at_another_speed_is_told_as_such_until_it_is_set_right(
    tmp_path: Path, speed: int
) -> None:
    set_right = threading.Event()

    def answers(question: bytes) -> Iterable[bytes | float]:
        """It takes any four bytes for a question: what it hears is as garbled as what it says."""
        return [LINE if set_right.is_set() else misread(LINE, sent=speed, read=115200)]

    with (
        plugged(tmp_path / "port", answers, end=4) as device,
        working(lines, P3, port=device.path, timeout=0.1) as told,
    ):
        # Each answer is told for itself first, and is never a value.
        assert told.missing("pins", Absence.BAD_CHECKSUM)
        says = told.down("can't be read")
        assert "check that baud = 115200 is what the device's manual says" in says
        assert not told.samples
        set_right.set()
        opened = told.value(GOOD).opened
        assert opened is not None  # so that the record tells when it could be read again
        assert told.samples == {GOOD}


def test_devices_at_twice_the_speed_are_told_as_such_although_little_of_an_answer_is_left(
    tmp_path: Path,
) -> None:
    """Of seven bytes at 19200 bit/s a receiver at 9600 sees four: fewer than any answer has."""
    answer = rtu("01 04 02 00 07")  # device 1, one input register, 7
    set_right = threading.Event()

    def answers(question: bytes) -> Iterable[bytes | float]:
        return [answer if set_right.is_set() else misread(answer, sent=19200, read=9600)]

    with (
        plugged(tmp_path / "port", answers, end=8) as device,
        working(
            modbus, {"T": {"device": 1, "input": 0}}, port=device.path, timeout=0.05, retries=0
        ) as told,
    ):
        says = told.down("can't be read")
        assert "baud = 9600, parity = N, stopbits = 1" in says
        set_right.set()
        assert told.value(Sample("T", 7.0, "Cel")).opened == f"1 device on {device.path}"
