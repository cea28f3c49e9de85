"""Ports that go away, jam or are shared, each under the worker that has to live with it.

Every test lets a shipped driver run into the fault on a real port, sees it told in words, and sees
good readings come again without anybody starting anything anew.
"""

import errno
import fcntl
import os
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import ModuleType, SimpleNamespace

import pytest
from serial import serialposix

from drivers.ptys import Device, plugged
from longsoak.driver import BusKind
from longsoak.service.buses import Pass
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers import lines, modbus, scpi, sdi12
from service.faultbench import Addresses, Says, _soon, held, working  # noqa: F401 - a fixture
from service.serialfaults import rtu, summed_line
from waiting import wait_for

pytestmark = pytest.mark.usefixtures("_soon")

P3: Addresses = {"pins": {"name": "P3"}}
LINE = summed_line(b"P3,412000,Ohm")
GOOD = Sample("pins", 412000.0, "Ohm")
T1: Addresses = {"T": {"device": 1, "input": 0}}
SEVEN = Sample("T", 7.0, "Cel")


def front_end() -> Says:
    return Says({b"?P3": LINE})


def one_register() -> Says:
    return Says({rtu("01 04 00 00 00 01"): rtu("01 04 02 00 07")})


def inside(thread: threading.Thread, function: str) -> bool:
    """Whether a thread is in a function of this name now."""
    frames = sys._current_frames()  # noqa: SLF001 - documented, and there is no other name
    frame = frames.get(thread.ident or 0)
    while frame is not None and frame.f_code.co_name != function:
        frame = frame.f_back
    return frame is not None


@contextmanager
def output_stopped(device: Device) -> Iterator[None]:
    """Hold back what is sent to a device, as a handshake line does that is left hanging."""
    line = os.open(device.path, os.O_RDWR | os.O_NOCTTY)
    termios.tcflow(line, termios.TCOOFF)
    try:
        yield
    finally:
        with suppress(termios.error):  # the device may be gone by now
            termios.tcflow(line, termios.TCOON)
        os.close(line)


def replaced(module: ModuleType, **names: object) -> SimpleNamespace:
    """A module with some of its names replaced, for one importer alone."""
    return SimpleNamespace(**(vars(module) | names))


# Each driver with its address, half an answer to its last question, and all answers; and how a
# question of it ends.
TALKS: dict[str, tuple[BusKind, Addresses, bytes, dict[bytes, bytes], bytes | int]] = {
    "lines": (lines, P3, b"P3,41", {b"?P3": LINE}, b"\n"),
    "modbus": (
        modbus,
        {"pins": {"device": 1, "input": 0, "type": "int32"}},
        b"\x01\x04",
        {rtu("01 04 00 00 00 02"): rtu("01 04 04 00 06 49 60")},
        8,
    ),
    "scpi": (
        scpi,
        {"pins": {"channel": 101}},
        b"+4.12",
        {b"*IDN?": b"generic,scanner,1,2\n", b"MEAS:RES? (@101)": b"+4.12E+05\n"},
        b"\n",
    ),
    "sdi12": (
        sdi12,
        {"pins": {"sensor": "0"}},
        b"0+41",
        {
            b"0": b"0\r\n",
            b"0I": b"013GENERIC RHT001100A-42\r\n",
            b"0MC": b"00001\r\n",
            b"0D0": b"0+412000" + sdi12.crc(b"0+412000") + b"\r\n",
        },
        b"!",
    ),
}


@pytest.mark.parametrize("name", TALKS)
def test_a_cable_pulled_while_an_answer_is_read_is_told_and_plugged_in_again_it_measures(
    tmp_path: Path, name: str
) -> None:
    kind, addresses, half, answers, end = TALKS[name]
    talk = Says(answers)
    said_half = threading.Event()

    def cut(question: bytes) -> Iterable[bytes | float]:
        if question != list(answers)[-1]:
            return [answers.get(question, b"")]
        said_half.set()
        return [half, 60.0]

    with (
        plugged(tmp_path / "port", talk, end=end) as device,
        working(kind, addresses, port=device.path, timeout=2.0) as told,
    ):
        good = told.first()
        assert good.value == 412000.0
        talk.instead = cut
        assert said_half.wait(10)
        device.unplug()
        says = told.down("reading failed")
        assert "returned no data" in says
        assert "Check the cable and the adapter" in says
        assert told.down("there is no such port").startswith(str(device.path))
        talk.instead = None
        with plugged(device.path, talk, end=end):
            told.value(good)
        assert told.samples == {good}


def test_a_cable_pulled_while_a_question_is_held_back_is_told_and_it_measures_again(
    tmp_path: Path,
) -> None:
    with (
        plugged(tmp_path / "port", front_end()) as device,
        working(lines, P3, port=device.path, timeout=10.0) as told,
    ):
        told.value(GOOD)
        with output_stopped(device):
            wait_for(lambda: inside(told.thread, "write"), what="a question held back")
            device.unplug()
            says = told.down("writing failed")
        assert "[Errno 5]" in says
        assert "Check the cable and the adapter" in says
        with plugged(device.path, front_end()):
            told.value(GOOD)


def test_a_port_that_takes_no_question_is_told_in_time_and_measures_once_it_does(
    tmp_path: Path,
) -> None:
    with (
        plugged(tmp_path / "port", front_end()) as device,
        working(lines, P3, port=device.path, timeout=0.2) as told,
    ):
        told.value(GOOD)
        with output_stopped(device):
            assert "no handshake line holds it back" in told.down("took nothing for 0.2 s")
        told.value(GOOD)


def test_an_unplug_first_noticed_while_counting_what_waits_is_told_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There pyserial lets a bare OSError through; the kernel's answer to the count is put in."""
    gone = threading.Event()

    def ioctl(handle: int, request: int, argument: bytes = b"") -> bytes:
        if gone.is_set() and request == serialposix.TIOCINQ:
            raise OSError(errno.EIO, "Input/output error")
        return fcntl.ioctl(handle, request, argument)

    monkeypatch.setattr(serialposix, "fcntl", replaced(fcntl, ioctl=ioctl))
    with (
        plugged(tmp_path / "port", one_register(), end=8) as device,
        working(modbus, T1, port=device.path, timeout=0.3) as told,
    ):
        told.value(SEVEN)
        gone.set()
        assert "reading failed ([Errno 5] Input/output error)" in told.down("Check the cable")
        gone.clear()
        told.value(SEVEN)


def test_an_unplug_first_noticed_while_setting_the_line_is_told_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`termios.error` is no OSError. The adapter has lost its speed, and can't be given it."""
    gone = threading.Event()

    def tcgetattr(handle: int) -> list[object]:
        attributes: list[object] = termios.tcgetattr(handle)
        if gone.is_set():
            attributes[4] = attributes[5] = termios.B300
        return attributes

    def tcsetattr(handle: int, when: int, attributes: list[object]) -> None:
        if gone.is_set():
            raise termios.error(errno.EIO, "Input/output error")
        termios.tcsetattr(handle, when, attributes)  # type: ignore[arg-type]

    put_in = replaced(termios, tcgetattr=tcgetattr, tcsetattr=tcsetattr)
    monkeypatch.setattr(serialposix, "termios", put_in)
    with (
        plugged(tmp_path / "port", front_end()) as device,
        working(lines, P3, port=device.path, timeout=0.3) as told,
    ):
        told.value(GOOD)
        gone.set()
        assert "reading failed ((5, 'Input/output error'))" in told.down("Check the cable")
        gone.clear()
        told.value(GOOD)


def test_an_adapter_that_comes_back_under_another_name_is_found_by_its_link(
    tmp_path: Path,
) -> None:
    """The kernel gives the old name away only if nobody holds the old device any more."""
    link = tmp_path / "usb-scanner-if00"
    with (
        plugged(link, front_end()) as before,
        plugged(tmp_path / "other", front_end()) as after,
        working(lines, P3, port=link, timeout=0.3) as told,
    ):
        told.value(GOOD)
        old, new = str(link.readlink()), str(after.path.readlink())
        assert old != new
        own = held(new)
        before.unplug()
        told.down("failed")
        assert held(old) == 0
        link.unlink()
        told.down("there is no such port", "/dev/serial/by-id")
        link.symlink_to(new)
        told.value(GOOD)
        assert held(new) == own + 1


READER = """
import os
import select
import sys
port = os.open(sys.argv[1], os.O_RDONLY | os.O_NOCTTY)
print("open", flush=True)
while True:
    select.select([port], [], [])
    if taken := os.read(port, 1000):
        print(len(taken), flush=True)
"""


@contextmanager
def program(text: str, *arguments: Path) -> Iterator["subprocess.Popen[str]"]:
    """Another program that has opened something once this begins, and ends with the block."""
    command = [sys.executable, "-c", text, *map(str, arguments)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == "open\n"
            yield process
        finally:
            process.kill()


def troubled(taken: Pass) -> bool | None:
    """Whether an answer is missing, or the bus is down."""
    return taken.down is not None or isinstance(taken.samples[0], Missing) or None


def test_another_program_that_takes_bytes_away_makes_no_wrong_value_and_ends_with_it(
    tmp_path: Path,
) -> None:
    with (
        plugged(tmp_path / "port", front_end()) as device,
        working(lines, P3, port=device.path, timeout=0.1) as told,
    ):
        told.value(GOOD)
        with program(READER, device.path) as thief:
            assert thief.stdout is not None
            assert int(thief.stdout.readline()) > 0
            assert told.until(troubled, what="bytes that are missed")
        told.forget()
        told.value(GOOD)
        assert told.samples == {GOOD}


OWNER = """
import sys
import serial
port = serial.Serial(sys.argv[1], exclusive=True)
print("open", flush=True)
sys.stdin.read()
"""


def test_a_port_another_program_owns_is_waited_for(tmp_path: Path) -> None:
    with plugged(tmp_path / "port", front_end()) as device:
        with program(OWNER, device.path):
            working_on = working(lines, P3, port=device.path, timeout=0.1)
            told = working_on.__enter__()
            assert "a port has one owner" in told.down("another program holds it")
        told.value(GOOD)
        working_on.__exit__(None, None, None)


def test_a_read_that_is_refused_for_ever_ends_in_the_time_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some drivers answer EAGAIN for a device that went; pyserial then tries again and again."""
    gone = threading.Event()

    def read(handle: int, size: int) -> bytes:
        if gone.is_set():
            raise BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable")
        return os.read(handle, size)

    monkeypatch.setattr(serialposix, "os", replaced(os, read=read))
    with (
        plugged(tmp_path / "port", front_end()) as device,
        working(lines, P3, port=device.path, timeout=0.2) as told,
    ):
        told.value(GOOD)
        gone.set()
        start = time.monotonic()
        assert "nothing came" in told.missing("pins", Absence.NO_ANSWER)
        assert time.monotonic() - start < 3
        gone.clear()
        told.value(GOOD)
        assert told.samples == {GOOD}


def test_a_write_that_is_refused_for_ever_ends_in_the_time_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gone = threading.Event()

    def write(handle: int, data: bytes) -> int:
        if gone.is_set():
            raise BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable")
        return os.write(handle, data)

    monkeypatch.setattr(serialposix, "os", replaced(os, write=write))
    with (
        plugged(tmp_path / "port", one_register(), end=8) as device,
        working(modbus, T1, port=device.path, timeout=0.2) as told,
    ):
        told.value(SEVEN)
        gone.set()
        start = time.monotonic()
        told.down("writing failed", "took nothing for 0.2 s")
        assert time.monotonic() - start < 3
        gone.clear()
        told.value(SEVEN)
