"""Ports that jam or are shared, each under the worker that has to live with it.

Every test lets a shipped driver run into the fault on a real port, sees it told in words, and sees
good readings come again without anybody starting anything anew.
"""

import errno
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from serial import serialposix

from drivers.ptys import plugged
from longsoak.service.buses import Pass
from longsoak.vocabulary.sample import Absence, Missing
from longsoak_drivers import lines, modbus
from service.faultbench import _soon, working  # noqa: F401 - a fixture
from service.serialfaults import (
    GOOD,
    P3,
    SEVEN,
    T1,
    front_end,
    one_register,
    output_stopped,
    replaced,
)

pytestmark = pytest.mark.usefixtures("_soon")


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
    with plugged(tmp_path / "port", front_end()) as device, ExitStack() as owner:
        owner.enter_context(program(OWNER, device.path))
        with working(lines, P3, port=device.path, timeout=0.1) as told:
            assert "a port has one owner" in told.down("another program holds it")
            owner.close()
            told.value(GOOD)


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
