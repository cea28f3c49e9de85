"""Instruments on the network: real sockets, an independent Modbus server, and every bad day."""

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import pytest
from pydantic import ValidationError
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers.ptys import settings
from drivers.serving import serving
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers import modbus, scpi
from longsoak_drivers.transport.tcp import TcpStream, split
from longsoak_drivers.transport.wire import Wire

Talk = Callable[[socket.socket], None]


@contextmanager
def listening(*talks: Talk) -> Iterator[str]:
    """An instrument that takes one connection after the other, each with its own behaviour."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10)

        def serve() -> None:
            for talk in talks:
                taken, _ = server.accept()
                with taken, suppress(ConnectionError):  # the test may hang up first
                    taken.settimeout(10)
                    talk(taken)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield f"127.0.0.1:{server.getsockname()[1]}"
        thread.join(10)
        assert not thread.is_alive()


def hears(taken: socket.socket) -> None:
    """Take everything and say nothing, until the other end hangs up."""
    while taken.recv(4096):
        pass


def a_meter(taken: socket.socket) -> None:
    for line in taken.makefile("r"):
        if line == "*IDN?\n":
            taken.sendall(b"generic,scanner,1,2\n")
        elif line.startswith("MEAS"):
            taken.sendall(b"+4.12000000E+05\n")


def open_meter(address: str) -> scpi.Meter:
    return scpi.open_bus(settings({"pins": {"channel": 101}}, tcp=address, timeout=0.3))


def test_a_meter_on_the_network_is_read_like_one_on_a_cable() -> None:
    with listening(a_meter) as address:
        meter = open_meter(address)
        assert meter.describe() == f"generic,scanner,1,2 on {address}"
        assert list(meter.poll(["pins"])) == [Sample("pins", 412_000.0, "Ohm")]
        meter.close()
        meter.close()


def test_an_instrument_that_hangs_up_is_a_bus_error_and_may_be_opened_again() -> None:
    def once(taken: socket.socket) -> None:
        for line in taken.makefile("r"):
            if line == "*IDN?\n":
                taken.sendall(b"generic,scanner,1,2\n")
            elif line.startswith("MEAS"):
                taken.sendall(b"+4.12")
                return

    with listening(once, a_meter) as address:
        meter = open_meter(address)
        with pytest.raises(BusError, match=r"(reading|writing) failed .*no other program"):
            list(meter.poll(["pins"]))
        meter.close()
        again = open_meter(address)
        assert list(again.poll(["pins"])) == [Sample("pins", 412_000.0, "Ohm")]
        again.close()


def test_nobody_listening_is_told_as_such() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        free = f"127.0.0.1:{server.getsockname()[1]}"
    with pytest.raises(BusError, match=f"{free}: can't be reached: it is there, but nothing"):
        TcpStream(free, timeout=1)


def test_a_name_nobody_knows_is_told_as_such() -> None:
    with pytest.raises(BusError, match=r"meter\.invalid:5025: the name is not known"):
        TcpStream("meter.invalid:5025", timeout=1)


@pytest.mark.parametrize("number", [113, 101, 110])
def test_what_the_kernel_says_of_a_network_is_told_in_words(
    monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    """No such network is to be had here, so the kernel's answer is put in at the socket."""

    def refuse(*args: object, **rest: object) -> None:
        raise OSError(number, "as the kernel says it")

    monkeypatch.setattr(socket, "create_connection", refuse)
    with pytest.raises(BusError, match=r"can't be reached: .*Check its"):
        TcpStream("192.0.2.1:5025", timeout=1)


def dribbling(taken: socket.socket) -> None:
    taken.recv(100)
    for _ in range(8):
        taken.sendall(b"1")
        time.sleep(0.1)


def test_the_time_limit_counts_for_the_whole_answer() -> None:
    with listening(dribbling) as address:
        stream = TcpStream(address, timeout=0.35)
        stream.write(b"?\n")
        start = time.monotonic()
        got = stream.read_until(b"\n", limit=80)
        assert 0.3 < time.monotonic() - start < 0.7
        assert set(got) == {ord("1")}
        assert len(got) <= 5
        stream.close()


def test_a_babbling_instrument_is_cut_off_and_drained() -> None:
    def babbling(taken: socket.socket) -> None:
        taken.recv(100)
        taken.sendall(b"U" * 100_000)
        hears(taken)

    with listening(babbling) as address:
        stream = TcpStream(address, timeout=1)
        stream.write(b"?\n")
        assert stream.read_until(b"\n", limit=80) == b"U" * 80
        stream.drain(quiet=0.1, longest=2)
        assert stream.read_some(within=0.05) == b""
        stream.close()


def test_a_line_and_what_follows_it_come_one_by_one() -> None:
    def two(taken: socket.socket) -> None:
        taken.sendall(b"one\ntwo\nrest")
        hears(taken)

    with listening(two) as address:
        stream = TcpStream(address, timeout=0.3)
        assert [stream.read_until(b"\n", limit=80) for _ in range(3)] == [
            b"one\n",
            b"two\n",
            b"rest",
        ]
        stream.close()


def test_an_instrument_that_takes_nothing_is_a_bus_error_in_time() -> None:
    release = threading.Event()
    with listening(lambda taken: void(release.wait(10))) as address:
        stream = TcpStream(address, timeout=0.3)
        start = time.monotonic()
        with pytest.raises(BusError, match=r"writing failed: nothing was taken for 0\.3 s"):
            stream.write(b"U" * 50_000_000)
        assert time.monotonic() - start < 3
        stream.close()
        release.set()


def void(_: object) -> None:
    """Let an expression stand for a statement."""


def test_an_address_is_a_host_and_a_port() -> None:
    assert split("192.168.1.20:5025") == ("192.168.1.20", 5025)
    assert split("[fe80::1]:502") == ("fe80::1", 502)


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"port": "/dev/x", "tcp": "host:1"},
        {"tcp": "host"},
        {"tcp": "host:0"},
        {"tcp": "host:70000"},
        {"tcp": "ho st:1"},
        {"tcp": "http://host:1"},
    ],
)
def test_a_way_that_leads_nowhere_is_refused(options: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        Wire.model_validate(options)


def test_what_belongs_to_a_serial_port_is_refused_beside_tcp() -> None:
    with pytest.raises(
        ValueError, match="expected no parity beside tcp: it belongs to a serial port"
    ):
        modbus.Options.model_validate({"tcp": "host:502", "parity": "E"})


@contextmanager
def modbus_server() -> Iterator[str]:
    """Run pymodbus's own TCP server with one device."""
    held = [SimData(address=10, values=12.5, datatype=DataType.FLOAT32)]
    device = SimDevice(id=1, simdata=held)
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with serving(lambda: ModbusTcpServer(device, address=("127.0.0.1", port))):
        yield f"127.0.0.1:{port}"


MASS: dict[str, dict[str, object]] = {
    "mass": {"device": 1, "holding": 10, "type": "float32"},
    "beyond": {"device": 1, "holding": 900},
}


def test_modbus_over_tcp_against_an_independent_server() -> None:
    with modbus_server() as address:
        bus = modbus.open_bus(settings(MASS, unit="kg", tcp=address, timeout=1.0))
        mass, beyond = bus.poll(["mass", "beyond"])
        assert mass == Sample("mass", 12.5, "kg")
        assert isinstance(beyond, Missing)
        assert beyond.why is Absence.REFUSED
        assert bus.describe() == f"1 device on {address}"
        bus.close()


def test_a_late_answer_over_tcp_is_known_by_its_number_and_dropped() -> None:
    """Modbus messaging on TCP/IP V1.0b, 3.1.3 (from memory): the answer repeats the number."""

    def late(taken: socket.socket) -> None:
        first = taken.recv(100)
        second = taken.recv(100)  # asked again, for the first was not answered in time
        for asked, value in ((first, 7), (second, 9)):
            taken.sendall(answer(asked, value))
        while asked := taken.recv(100):
            taken.sendall(answer(asked, 11))

    def answer(asked: bytes, value: int) -> bytes:
        return asked[:2] + b"\x00\x00\x00\x05" + asked[6:8] + b"\x02\x00" + bytes([value])

    with listening(late) as address:
        register: dict[str, dict[str, object]] = {"one": {"device": 1, "holding": 0}}
        bus = modbus.open_bus(settings(register, unit="1", tcp=address, timeout=0.2, retries=1))
        (got,) = bus.poll(["one"])
        assert got == Sample("one", 9.0, "1")
        assert list(bus.poll(["one"])) == [Sample("one", 11.0, "1")]
        bus.close()


def test_a_silent_modbus_gateway_is_missing_for_ever_and_never_hung_up_on() -> None:
    with listening(hears) as address:
        register: dict[str, dict[str, object]] = {"one": {"device": 1, "holding": 0}}
        bus = modbus.open_bus(settings(register, unit="1", tcp=address, timeout=0.05, retries=0))
        for _ in range(8):
            (got,) = bus.poll(["one"])
            assert isinstance(got, Missing)
            assert got.why is Absence.NO_ANSWER
        bus.close()
