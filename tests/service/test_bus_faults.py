"""Ports that go away and come back, each under the worker that has to live with it.

Every test lets a shipped driver run into the fault on a real port, sees it told in words, and sees
good readings come again without anybody starting anything anew.
"""

import errno
import fcntl
import sys
import termios
import threading
from collections.abc import Iterable
from pathlib import Path
from types import FrameType

import pytest
from serial import serialposix

from drivers.ptys import plugged
from longsoak.driver import BusKind
from longsoak_drivers import lines, modbus, scpi, sdi12
from service.faultbench import Addresses, Says, _soon, held, working  # noqa: F401 - a fixture
from service.serialfaults import (
    GOOD,
    LINE,
    P3,
    SEVEN,
    T1,
    front_end,
    one_register,
    output_stopped,
    replaced,
    rtu,
)
from waiting import wait_for

pytestmark = pytest.mark.usefixtures("_soon")


def wait_until_held_in(thread: threading.Thread, function: str) -> None:
    """Wait until a thread is still in the call of this function in which it was a look before."""
    before: FrameType | None = None

    def held_up() -> bool:
        nonlocal before
        frames = sys._current_frames()  # noqa: SLF001 - documented, and there is no other name
        frame = frames.get(thread.ident or 0)
        while frame is not None and frame.f_code.co_name != function:
            frame = frame.f_back
        still = frame is not None and frame is before
        before = frame
        return still

    wait_for(held_up, what=f"a thread held in {function}")


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
            yield answers.get(question, b"")
            return
        yield half
        said_half.set()
        yield 60.0

    with (
        plugged(tmp_path / "port", talk, end=end) as device,
        working(kind, addresses, port=device.path, timeout=8.0) as told,
    ):
        good = told.first()
        assert good.value == 412000.0
        talk.instead = cut
        assert said_half.wait(10)
        wait_until_held_in(told.thread, "read")
        device.unplug()
        says = told.down("reading failed")
        # The first if the hang-up ends the wait, the second if it comes between wait and read.
        assert "returned no data" in says or "Input/output error" in says
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
            wait_until_held_in(told.thread, "write")
            device.unplug()
            says = told.down("writing failed")
        assert "[Errno 5]" in says
        assert "Check the cable and the adapter" in says
        with plugged(device.path, front_end()):
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
        told.down("there is no such port", "/dev/serial/by-id")
        link.symlink_to(new)
        told.value(GOOD)
        assert held(new) == own + 1
