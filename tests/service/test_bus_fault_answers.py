"""Answers that come late, broken or not at all, each under the worker that has to live with it.

Every test lets a shipped driver run into the fault on a real port, sees it told in words, and sees
good readings come again without anybody starting anything anew.
"""

import socket
import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from drivers.ptys import Device, plugged
from longsoak.vocabulary.sample import Absence, Sample
from longsoak_drivers import lines, modbus, scpi, sdi12
from service.faultbench import Addresses, Says, _soon, held, working  # noqa: F401 - a fixture
from service.serialfaults import ANSWER, ASKED, GOOD, LINE, P3, SEVEN, T1, misread, rtu, summed_line
from waiting import wait_for

pytestmark = pytest.mark.usefixtures("_soon")

P3_AND_4: Addresses = {"pins": {"name": "P3"}, "next": {"name": "P4"}}
LINE_4 = summed_line(b"P4,7,Ohm")
GOOD_4 = Sample("next", 7.0, "Ohm")


def test_half_a_line_and_its_rest_in_the_next_answers_place_make_no_wrong_value(
    tmp_path: Path,
) -> None:
    """Pyserial gives each half as a line of its own, and both may look like numbers."""
    talk = Says({b"?P3": LINE, b"?P4": LINE_4})

    def late(question: bytes) -> Iterable[bytes | float]:
        if question == b"?P4":
            return [LINE_4]
        return [LINE[:6], 0.25, LINE[6:]]  # the rest comes while the next is asked

    with (
        plugged(tmp_path / "port", talk) as device,
        working(lines, P3_AND_4, port=device.path, timeout=0.1) as told,
    ):
        told.value(GOOD)
        talk.instead = late
        assert "only b'P3,412' came" in told.missing("pins", Absence.NO_ANSWER)
        assert told.missing("next", Absence.BAD_CHECKSUM)
        talk.instead = None
        told.value(GOOD)
        told.value(GOOD_4)
        assert told.samples == {GOOD, GOOD_4}


def test_a_line_that_babbles_without_end_is_told_and_holds_nobody(tmp_path: Path) -> None:
    """A limit for each byte, as pyserial's readline has, would never be reached."""
    talk = Says({b"?P3": LINE})
    hushed = threading.Event()

    def babble(question: bytes) -> Iterator[bytes | float]:
        while not hushed.is_set():
            yield b"7" * 20
            yield 0.01

    with (
        plugged(tmp_path / "port", talk) as device,
        working(lines, P3, port=device.path, timeout=0.1) as told,
    ):
        told.value(GOOD)
        talk.instead = babble
        for _ in range(2):
            start = time.monotonic()
            assert "80 bytes without a line end" in told.missing("pins", Absence.UNREADABLE)
            assert time.monotonic() - start < 2
        talk.instead = None
        hushed.set()
        told.value(GOOD)
        assert told.samples == {GOOD}


# 57600 is half the speed, and 9600 the speed most often left as it was.
@pytest.mark.parametrize("speed", [57600, 9600])
def test_a_front_end_at_another_speed_is_told_as_such_until_it_is_set_right(
    tmp_path: Path, speed: int
) -> None:
    """It takes any four bytes for a question: what it hears is as garbled as what it says."""
    talk = Says({b"?P3\n": LINE})
    talk.instead = lambda question: [misread(LINE, sent=speed, read=115200)]
    with (
        plugged(tmp_path / "port", talk, end=4) as device,
        working(lines, P3, port=device.path, timeout=0.05) as told,
    ):
        # Each answer is told for itself first, and is never a value.
        assert told.missing("pins", Absence.BAD_CHECKSUM)
        says = told.down("can't be read")
        assert "check that baud = 115200 is what the device's manual says" in says
        assert not told.samples
        talk.instead = None
        opened = told.value(GOOD).opened
        assert opened is not None  # so that the record tells when it could be read again
        assert told.samples == {GOOD}


def test_devices_at_twice_the_speed_are_told_as_such_although_little_of_an_answer_is_left(
    tmp_path: Path,
) -> None:
    """Of seven bytes at 19200 bit/s a receiver at 9600 sees four: fewer than any answer has."""
    talk = Says({ASKED: ANSWER})
    talk.instead = lambda question: [misread(ANSWER, sent=19200, read=9600)]
    with (
        plugged(tmp_path / "port", talk, end=8) as device,
        working(modbus, T1, port=device.path, timeout=0.05, retries=0) as told,
    ):
        assert "baud = 9600, parity = N, stopbits = 1" in told.down("can't be read")
        talk.instead = None
        assert told.value(SEVEN).opened == f"1 device on {device.path}"
        assert told.samples == {SEVEN}


class Board:
    """A board that starts anew whenever its port is opened: deaf for a while, then it greets."""

    def __init__(self, device: Device, talk: Says, *, deaf: float) -> None:
        self._device = device
        self._talk = talk
        self._deaf = deaf
        self._name = str(device.path.readlink())
        self._own = held(self._name)  # the device holds both ends
        self.starts = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> "Board":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(5)

    def _run(self) -> None:
        while not self._stop.is_set():
            wait_for(lambda: held(self._name) > self._own or self._stop.is_set(), what="an opening")
            self._talk.instead = lambda question: []
            self.starts += 1
            self._stop.wait(self._deaf)
            self._device.say(b"front end 2.1\r\nself test: 7.0 ")
            self._stop.wait(0.02)
            self._device.say(b"ok\r\n")
            self._talk.instead = None
            wait_for(lambda: held(self._name) == self._own or self._stop.is_set(), what="its end")


def test_what_a_board_says_while_it_starts_is_never_a_value(tmp_path: Path) -> None:
    """Opening raises DTR, at which many boards start anew."""
    talk = Says({b"?P3": LINE})
    with (
        plugged(tmp_path / "port", talk) as device,
        Board(device, talk, deaf=0.3) as board,
        working(lines, P3, port=device.path, timeout=0.1) as told,
    ):
        assert told.missing("pins", Absence.NO_ANSWER)
        told.value(GOOD)
        assert board.starts == 1
        assert told.samples == {GOOD}


# One question may be lost and waited for longer than the start takes, as with a meter's usual 3 s.
@pytest.mark.parametrize("timeout", [0.1, 0.6])
def test_a_meter_that_starts_anew_with_each_opening_is_given_the_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, timeout: float
) -> None:
    """Opened anew after each silence it would start anew for ever."""
    monkeypatch.setattr(scpi, "BOOT", 0.5)
    talk = Says({b"*IDN?": b"generic,scanner,1,2\n", b"MEAS:RES? (@101)": b"+4.12E+05\n"})
    with (
        plugged(tmp_path / "port", talk) as device,
        Board(device, talk, deaf=0.4) as board,
        working(scpi, {"pins": {"channel": 101}}, port=device.path, timeout=timeout) as told,
    ):
        told.value(Sample("pins", 412000.0, "Cel"))
        assert board.starts == 1


@pytest.mark.parametrize(
    ("answer", "why", "says"),
    [
        (rtu("01 84 04"), Absence.REFUSED, "exception 4: it failed while answering"),
        (rtu("01 84 06"), Absence.REFUSED, "exception 6: it is busy"),
        (rtu("01 84 0b"), Absence.REFUSED, "exception 11: the gateway got no answer from it"),
        (rtu("01 04 02 00 07")[:-1] + b"\x00", Absence.BAD_CHECKSUM, "no frame in 01 04 02 00 07"),
        (b"\x01\x04\x02\x00\x06" + ANSWER[-2:], Absence.BAD_CHECKSUM, "no frame in"),
        (b"", Absence.NO_ANSWER, "nothing came before the time limit"),
    ],
)
def test_a_refusal_a_wrong_checksum_and_silence_of_a_device_are_told_until_it_answers(
    tmp_path: Path, answer: bytes, why: Absence, says: str
) -> None:
    """Exception codes: Modbus application protocol V1.1b3, section 7 (from memory)."""
    talk = Says({ASKED: ANSWER})
    with (
        plugged(tmp_path / "port", talk, end=8) as device,
        working(modbus, T1, port=device.path, timeout=0.1) as told,
    ):
        told.value(SEVEN)
        talk.instead = lambda question: [answer]
        assert says in told.missing("T", why)
        talk.instead = None
        told.value(SEVEN)
        assert told.samples == {SEVEN}


def test_a_gateway_that_hangs_up_in_the_middle_is_told_and_connected_to_again() -> None:
    taken: list[socket.socket] = []
    whole = threading.Event()

    def serve(server: socket.socket) -> None:
        with suppress(OSError):  # the test closes it
            while True:
                connection, _ = server.accept()
                taken.append(connection)
                while question := connection.recv(100):
                    head = question[:4] + b"\x00\x05\x01\x04"
                    connection.sendall(head + (b"\x02\x00\x07" if whole.is_set() else b"\x02"))
                    if not whole.is_set():
                        connection.close()
                        break

    with socket.create_server(("127.0.0.1", 0)) as server:
        threading.Thread(target=serve, args=[server], daemon=True).start()
        address = f"127.0.0.1:{server.getsockname()[1]}"
        with working(modbus, T1, tcp=address, timeout=1.0) as told:
            assert "closed the connection" in told.down("reading failed", address)
            whole.set()
            told.value(SEVEN)
            assert told.samples == {SEVEN}
        server.shutdown(socket.SHUT_RDWR)
    for connection in taken:
        connection.close()


def test_a_silent_sdi_12_sensor_is_told_and_measures_again_when_it_answers(
    tmp_path: Path,
) -> None:
    def of(sensor: bytes) -> dict[bytes, bytes]:
        values = sensor + b"+21.5"
        return {
            sensor: sensor + b"\r\n",
            sensor + b"MC": sensor + b"0001\r\n",
            sensor + b"D0": values + sdi12.crc(values) + b"\r\n",
        }

    talk = Says(of(b"0") | of(b"1"))
    addresses: Addresses = {"T": {"sensor": "0"}, "dead": {"sensor": "1"}}
    alive, back = Sample("T", 21.5, "Cel"), Sample("dead", 21.5, "Cel")
    with (
        plugged(tmp_path / "port", talk, end=b"!") as device,
        working(sdi12, addresses, port=device.path, timeout=0.1) as told,
    ):
        told.value(back)
        talk.instead = lambda asked: [] if asked[:1] == b"1" else [of(b"0").get(asked, b"")]
        says = told.missing("dead", Absence.NO_ANSWER)
        assert says == "sensor 1: nothing came before the time limit"
        told.value(alive)  # it holds up nobody
        talk.instead = None
        told.value(back)
