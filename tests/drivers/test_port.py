"""The serial port, over real ptys: owners, limits, and every way to go away."""

import os
import subprocess
import sys
import termios
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import serial

from drivers.ptys import plugged
from longsoak.vocabulary.errors import BusError
from longsoak_drivers.transport.port import Port
from longsoak_drivers.transport.stream import ByteStream


def silent(question: bytes) -> list[bytes | float]:
    return []


def opened(path: Path, *, timeout: float = 1.0) -> Port:
    return Port(str(path), baud=115200, timeout=timeout)


OPENER = """
import os
import sys
from longsoak_drivers.transport.port import Port
from longsoak.vocabulary.errors import BusError
if sys.argv[2:]:
    os.setgroups([])
    os.setuid(int(sys.argv[2]))
try:
    Port(sys.argv[1], baud=9600, timeout=1)
except BusError as error:
    print(error)
"""


def run_opener(path: str, *user: str) -> str:
    """Open a port in a program of its own, perhaps as another user; return what it says."""
    done = subprocess.run(
        [sys.executable, "-c", OPENER, path, *user],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return done.stdout


def test_a_port_is_a_byte_stream(tmp_path: Path) -> None:
    with plugged(tmp_path / "port", lambda question: [b"yes " + question + b"\n"]) as device:
        port: ByteStream = opened(device.path)
        port.write(b"hello\n")
        assert port.read_until(b"\n", limit=80) == b"yes hello\n"
        port.close()
        port.close()


def test_a_second_owner_in_this_program_is_refused(tmp_path: Path) -> None:
    with plugged(tmp_path / "port", silent) as device:
        first = opened(device.path)
        with pytest.raises(BusError, match="another program holds it"):
            opened(device.path)
        first.close()
        opened(device.path).close()


def test_a_second_program_is_refused(tmp_path: Path) -> None:
    with plugged(tmp_path / "port", silent) as device:
        first = opened(device.path)
        assert run_opener(str(device.path)) == (
            f"{device.path}: can't be opened: another program holds it. Stop that program, or "
            "give this bus another port: a port has one owner.\n"
        )
        first.close()


def test_an_absent_port_is_told_with_its_name(tmp_path: Path) -> None:
    with pytest.raises(BusError, match=r"nowhere: can't be opened: there is no such port"):
        opened(tmp_path / "nowhere")


def test_a_file_that_is_no_port_is_told(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("hello")
    with pytest.raises(BusError, match=r"notes\.txt: can't be opened: "):
        opened(tmp_path / "notes.txt")


def test_a_port_without_permission_is_told() -> None:
    master, slave = os.openpty()
    path = os.ttyname(slave)
    Path(path).chmod(0)
    # Root may open everything, so as root the program is run as nobody.
    told = run_opener(path, *(["65534"] if os.geteuid() == 0 else []))
    assert told.startswith(f"{path}: can't be opened: this user may not open it. Add the user to")
    os.close(master)
    os.close(slave)


def test_settings_the_port_does_not_know_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pty takes any setting, so the kernel's refusal is put in at the lowest level."""

    def refuse(*args: object) -> None:
        raise termios.error(22, "Invalid argument")

    with plugged(tmp_path / "port", silent) as device:
        monkeypatch.setattr(termios, "tcsetattr", refuse)
        with pytest.raises(BusError, match="it refused 9600 bit/s, parity E, 2 stop bit"):
            Port(str(device.path), baud=9600, timeout=1, parity="E", stopbits=2)


@pytest.mark.parametrize(
    "answer",
    [
        pytest.param([], id="silence"),
        pytest.param([0.4, b"P"], id="one byte shortly before the limit"),
        pytest.param(
            [step for byte in b"P3,412000,Ohm*2E\n" for step in (bytes([byte]), 0.2)],
            id="a byte each 0.2 s",
        ),
    ],
)
def test_the_time_limit_counts_for_the_whole_answer(
    tmp_path: Path, answer: list[bytes | float]
) -> None:
    """Counted per byte, as pyserial's readline does, the last of these would beat any limit."""
    with plugged(tmp_path / "port", lambda question: answer) as device:
        port = opened(device.path, timeout=0.5)
        port.write(b"?P3\n")
        start = time.monotonic()
        got = port.read_until(b"\n", limit=80)
        assert 0.45 < time.monotonic() - start < 0.85
        assert b"P3,412000,Ohm*2E\n".startswith(got)
        assert len(got) < 5
        port.close()


def test_a_device_that_babbles_is_cut_off(tmp_path: Path) -> None:
    with plugged(tmp_path / "port", lambda question: [b"U" * 500]) as device:
        port = opened(device.path)
        port.write(b"?\n")
        assert port.read_until(b"\n", limit=80) == b"U" * 80
        port.drain(quiet=0.1, longest=2)
        assert port.read_some(within=0.05) == b""
        port.close()


def test_draining_ends_though_the_device_never_stops(tmp_path: Path) -> None:
    def for_ever(question: bytes) -> list[bytes | float]:
        return [b"U", 0.02] * 500

    with plugged(tmp_path / "port", for_ever) as device:
        port = opened(device.path)
        port.write(b"?\n")
        start = time.monotonic()
        port.drain(quiet=0.2, longest=0.6)
        assert 0.5 < time.monotonic() - start < 1.5
        port.close()


@pytest.mark.parametrize(
    ("call", "doing"),
    [
        (lambda port: port.write(b"?\n"), "writing"),
        (lambda port: port.read_until(b"\n", limit=80), "reading"),
        (lambda port: port.read_some(within=0.2), "reading"),
        (lambda port: port.drain(quiet=0.1, longest=0.5), "reading"),
    ],
)
def test_an_unplugged_port_is_a_bus_error_whatever_is_called(
    tmp_path: Path, call: Callable[[Port], object], doing: str
) -> None:
    """For pyserial these are three different errors, one of which is no OSError."""
    with plugged(tmp_path / "port", silent) as device:
        port = opened(device.path)
        device.unplug()
        with pytest.raises(BusError, match=f"port: {doing} failed .* Check the cable"):
            call(port)
        port.close()


def test_an_error_of_the_terminal_layer_is_a_bus_error_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some adapters fail inside a setting, and termios.error is no OSError; put in by hand."""

    def fail(*args: object) -> None:
        raise termios.error(5, "Input/output error")

    with plugged(tmp_path / "port", silent) as device:
        port = opened(device.path)
        monkeypatch.setattr(serial.Serial, "read", fail)
        with pytest.raises(BusError, match="reading failed"):
            port.read_until(b"\n", limit=80)
        port.close()


def test_a_port_that_takes_nothing_is_a_bus_error_in_time(tmp_path: Path) -> None:
    master, slave = os.openpty()  # nobody reads at the far end
    port = Port(os.ttyname(slave), baud=115200, timeout=0.3)
    start = time.monotonic()
    with pytest.raises(BusError, match=r"took nothing for 0\.3 s"):
        port.write(b"U" * 1_000_000)
    assert time.monotonic() - start < 2
    port.close()
    os.close(master)
    os.close(slave)


def test_a_closed_port_is_a_bus_error(tmp_path: Path) -> None:
    with plugged(tmp_path / "port", silent) as device:
        port = opened(device.path)
        port.close()
        with pytest.raises(BusError):
            port.write(b"?\n")
