"""Whole polls of the drivers that speak through a port, whatever comes through it."""

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress

from fuzz import oracles
from fuzz.checks import proper
from fuzz.streams import Piece, Wire, one_clock
from longsoak.driver import Channel
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Missing, Sample
from longsoak_drivers import lines, modbus, registerbus, scpi, sdi12

TIMEOUT = 0.5  # s, of every port here
SLACK = 0.1  # s: gaps between frames and the like


def far_end(
    data: bytes, *, complete: Callable[[bytes, bytes], bytes], opening: Sequence[bytes] = ()
) -> Wire:
    """A wire that answers question by question as fuzzed bytes lay down, and then is silent.

    Each piece is a byte of manners, a byte of size, and its bytes. `complete` takes a question and
    bytes, and puts on what a fuzzer would take long to find: a checksum, a line end. The questions
    before all that are answered with `opening`.
    """
    left = iter(_turns(data))
    first = iter(opening)

    def answer(question: bytes) -> list[Piece]:
        for opened in first:
            return [Piece(opened)]
        return [
            Piece(
                complete(question, body) if manners & 0x08 else body,
                after=(0.0, 0.6, 1.6, 0.0)[manners & 3] * TIMEOUT,
                apart=0.4 * TIMEOUT if manners & 3 == 3 else 0.0,
                for_ever=bool(manners & 0x04),
                lost=manners & 0xE0 == 0xE0,
            )
            for manners, body in next(left, [])
        ]

    return Wire(answer, timeout=TIMEOUT)


def _turns(data: bytes) -> list[list[tuple[int, bytes]]]:
    turns: list[list[tuple[int, bytes]]] = []
    with_next = False
    while len(data) > 1:
        manners, size = data[0], data[1] & 0x3F
        if not with_next:
            turns.append([])
        turns[-1].append((manners, data[2 : 2 + size]))
        data = data[2 + size :]
        with_next = bool(manners & 0x10)
    return turns


def polled(
    items: Iterable[Sample | Missing],
    probes: Sequence[str],
    wire: Wire,
    *,
    within: float,
    holds: Callable[[Sample], bool],
) -> None:
    """Go through a poll: one item per probe, each in time, each sample borne out by `holds`."""
    answers = iter(items)
    with suppress(BusError):  # what came before a bus was lost holds
        for probe in probes:
            began = wire.now
            got = next(answers)
            assert wire.now - began <= within, f"{probe} took {wire.now - began:g} s: {got}"
            sample = proper(got, probe=probe)
            assert sample is None or holds(sample), (got, wire.line, wire.since.hex(" "))
        assert next(answers, None) is None


def of_lines(data: bytes) -> None:
    """A front end's port through two polls."""
    names = {"p": "P3", "q": "T1"}

    def complete(_question: bytes, body: bytes) -> bytes:
        return body + b"*" + lines.checksum(body) + b"\n"

    wire = far_end(data, complete=complete)
    bus = lines.LineBus(wire, names=names, timeout=TIMEOUT, where="port")
    assert wire.now <= lines.BOOT + SLACK

    def holds(sample: Sample) -> bool:
        return oracles.line_value(wire.line, name=names[sample.probe]) == (
            sample.value,
            sample.unit,
        )

    for probes in (["p", "q"], ["q", "p"]):
        polled(bus.poll(probes), probes, wire, within=2 * TIMEOUT + SLACK, holds=holds)


def of_scpi(data: bytes) -> None:
    """A meter's port through its opening and two polls."""
    channels = {
        probe: Channel(probe, "Ohm", {"channel": number}) for probe, number in (("p", 1), ("q", 2))
    }
    wire = far_end(
        data,
        complete=lambda _, body: body + b"\n",
        opening=[b"", b"INVENTED,METER,0,1\n", b""],
    )
    meter = scpi.Meter(wire, channels=channels, query="MEAS:RES? (@{channel})", where="port")
    # In step again, the question, in step once more, and what the meter says of it: each line
    # has the time limit, and so has each settling its second.
    longest = (2 * (scpi.STALE_LINES + scpi.PATIENCE) + 2) * TIMEOUT + 2 * 1.0 + SLACK
    for probes in (["p", "q"], ["q", "p"]):
        polled(
            meter.poll(probes),
            probes,
            wire,
            within=longest,
            holds=lambda sample: oracles.meter_value(wire.line) == sample.value,
        )


MODBUS = {
    "p": modbus.Address(device=1, input=0),
    "q": modbus.Address(device=1, holding=8, type="float32", word_order="little", scale=0.5),
    "r": modbus.Address(device=3, discrete=0),
    "s": modbus.Address(device=3, coil=1),
    "t": modbus.Address(device=1, input=2, type="uint32"),
    "u": modbus.Address(device=1, input=4, type="int64", word_order="little", offset=-1.0),
    "v": modbus.Address(device=1, input=8, type="float64"),
}


def modbus_bus(wire: Wire, *, tcp: bool) -> registerbus.ModbusBus:
    """A bus of two devices, over a serial line or the network."""
    options = modbus.Options(
        port=None if tcp else "port", tcp="x:502" if tcp else None, timeout=TIMEOUT, retries=1
    )
    return registerbus.ModbusBus(
        wire, options=options, addresses=MODBUS, units=dict.fromkeys(MODBUS, "%")
    )


def of_modbus_rtu(data: bytes) -> None:
    """A serial bus of two devices through two polls."""
    _modbus(far_end(data, complete=lambda _, body: body + oracles.crc16(body)), tcp=False)


def of_modbus_tcp(data: bytes) -> None:
    """A network device through two polls."""
    _modbus(far_end(data, complete=oracles.mbap), tcp=True)


def _modbus(wire: Wire, *, tcp: bool) -> None:
    bus = modbus_bus(wire, tcp=tcp)
    # Quiet before, the answer and the last byte of it, and twice the limit after; two tries.
    longest = 2 * (1 + 2 + 2) * TIMEOUT + SLACK

    def holds(sample: Sample) -> bool:
        address = MODBUS[sample.probe]
        function, _, amount = address.question
        size = 1 if function < 3 else 2 * amount
        head = bytes([address.device, function, size])
        payloads = (
            oracles.mbap_payloads(wire.since, question=wire.questions[-1], head=head)
            if tcp
            else oracles.rtu_payloads(wire.since, head=head)
        )
        for payload in payloads:
            if function < 3:
                value: float | None = float(payload[0] & 1)
            else:
                little = address.word_order == "little"
                value = oracles.register_value(payload, kind=address.type, little=little)
            if value is not None and value * address.scale + address.offset == sample.value:
                return True
        return False

    with one_clock(wire):
        for probes in (list(MODBUS), list(reversed(MODBUS))):
            polled(bus.poll(probes), probes, wire, within=longest, holds=holds)


SDI12 = {
    "p": sdi12.Address(sensor="0"),
    "q": sdi12.Address(sensor="0", value=3),
    "r": sdi12.Address(sensor="z", measurement=1, checked=False),
}
LONGEST = 2.0  # s a measurement may take


def sdi12_bus(wire: Wire) -> sdi12.SdiBus:
    """An adapter with two sensors."""
    return sdi12.SdiBus(
        wire,
        addresses=SDI12,
        units=dict.fromkeys(SDI12, "%"),
        timeout=TIMEOUT,
        longest=LONGEST,
        where="port",
    )


# The quiet before each question and its answer: the start, up to ten answers; the measurement and
# the line that announces its end; and the quiet after. All of it three times.
SDI12_LONGEST = sdi12.TRIES * (
    2 * TIMEOUT * (1 + sdi12.MOST_ANSWERS) + LONGEST + sdi12.MARGIN + 2 * TIMEOUT + SLACK
)


def of_sdi12(data: bytes) -> None:
    """An adapter's port through two polls."""

    def complete(question: bytes, body: bytes) -> bytes:
        checked = body + sdi12.crc(body) if b"D" in question and question[:1] == b"0" else body
        return checked + b"\r\n"

    wire = far_end(data, complete=complete, opening=[b"0\r\n", b"z\r\n"])

    def holds(sample: Sample) -> bool:
        address = SDI12[sample.probe]
        asked = [question for question, _ in wire.heard]
        last = len(asked) - 1 - asked[::-1].index(address.command.encode("ascii"))
        start, *rest = [line.removeprefix(question) for question, line in wire.heard[last:]]
        promised = start[4] - ord("0")
        values: list[float] = []
        for line in rest:
            some = oracles.sdi12_values(line, sensor=address.sensor, checked=address.checked)
            if some and len(values) < promised:  # the next sensor's answers come after that
                values += some
        return len(values) == promised and values[address.value - 1] == sample.value

    with one_clock(wire):
        bus = sdi12_bus(wire)
        for probes in (list(SDI12), list(reversed(SDI12))):
            polled(bus.poll(probes), probes, wire, within=SDI12_LONGEST, holds=holds)
