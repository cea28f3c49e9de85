"""Modbus RTU over serial, and Modbus TCP: registers, discrete inputs and coils of a bus.

Framing, checksum and requests are pymodbus's; the port is ours, so that a port that is gone,
taken or silent is told in the same words on every bus, and no wait hangs on the wall clock.

An answer says which device sent it but not which register it holds. So after every silence or
garble the line must be quiet for a whole time limit before the next question: an answer that late
belongs to nobody. A device slower than twice the time limit could still be misread; give it more.

A device that is dead must not hold up the others. One that let its last question go by is asked
once in the next poll, without retries, and for all of its probes, until it answers again.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import isfinite

from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers.registers import WIDTHS, Address, Options
from longsoak_drivers.transport.modbusclient import RtuClient, TcpClient
from longsoak_drivers.transport.stream import ByteStream

_EXACT = 2**53  # beyond it not every whole number has a float

# Exception codes of the Modbus application protocol specification V1.1b3, section 7 (from memory).
REFUSALS = {
    1: "it doesn't know this kind of question",
    2: "it has no such register",
    3: "it doesn't take this number of registers",
    4: "it failed while answering",
    5: "it needs more time and will answer later",
    6: "it is busy",
    8: "its memory has a parity error",
    10: "the gateway has no path to it",
    11: "the gateway got no answer from it",
}

_SHORTEST_REPLY = 5  # bytes: device, function, code, two of checksum


def decode(
    registers: Sequence[int], *, address: Address, probe: str, unit: str
) -> Sample | Missing:
    """Turn the registers of an answer into a sample, or say why they can't be one.

    Parameters
    ----------
    registers : sequence of int
        As they came, 0 to 65535 each.
    address : Address
        Type, word order, scale and offset.
    probe, unit : str
        Whom the sample is for, and its UCUM code; registers carry none.
    """
    wide = WIDTHS[address.type]
    if len(registers) != wide:
        return Missing(
            probe,
            Absence.UNREADABLE,
            f"{len(registers)} registers came, {address.type} takes {wide}",
        )
    number = ModbusSerialClient.convert_from_registers(
        registers, ModbusSerialClient.DATATYPE[address.type.upper()], word_order=address.word_order
    )
    words = " ".join(f"{register:04X}" for register in registers)
    if isinstance(number, int) and abs(number) > _EXACT:
        return Missing(
            probe, Absence.UNREADABLE, f"registers {words} hold {number}, too long to be kept whole"
        )
    if not isinstance(number, int | float) or not isfinite(
        value := number * address.scale + address.offset
    ):
        return Missing(probe, Absence.UNREADABLE, f"registers {words} hold no finite number")
    return Sample(probe, float(value), unit)


class ModbusBus:
    """One serial port with Modbus devices on it.

    Parameters
    ----------
    port : ByteStream
        The open port; this driver closes it.
    options : Options
        Speed, time limit and retries.
    addresses : dict
        Probe to its address.
    units : dict of str to str
        Probe to the UCUM code of its samples.
    """

    def __init__(
        self,
        port: ByteStream,
        *,
        options: Options,
        addresses: dict[str, Address],
        units: dict[str, str],
    ) -> None:
        self._port = port
        self._options = options
        self._addresses = addresses
        self._units = units
        client = RtuClient if options.tcp is None else TcpClient
        self._client = client(port, timeout=options.timeout)
        self._silent: set[int] = set()  # devices that let their last question go by
        # A frame ends with silence for 3.5 characters of 11 bits, and 1.75 ms at the least
        # (Modbus over serial line V1.02, 2.5.1.1, from memory).
        self._gap = max(3.5 * 11 / options.baud, 0.00175)

    def poll(self, probes: Sequence[str]) -> Iterator[Sample | Missing]:
        """Ask each probe once. See `longsoak.driver.BusDriver.poll`."""
        given_up: dict[int, Missing] = {}
        for probe in probes:
            device = self._addresses[probe].device
            if device in given_up:
                yield replace(given_up[device], probe=probe)
                continue
            was_silent = device in self._silent
            got = self._ask(probe)
            if was_silent and device in self._silent and isinstance(got, Missing):
                given_up[device] = got
            yield got

    def describe(self) -> str:
        """Say how many devices are asked on which port."""
        devices = len({address.device for address in self._addresses.values()})
        return f"{devices} device{'' if devices == 1 else 's'} on {self._options.where}"

    def close(self) -> None:
        """Release the port."""
        self._client.close()

    def _ask(self, probe: str) -> Sample | Missing:
        device = self._addresses[probe].device
        tries = 1 if device in self._silent else 1 + self._options.retries
        for _ in range(tries):
            got = self._once(probe)
            if isinstance(got, Sample) or got.why is not Absence.NO_ANSWER:
                self._silent.discard(device)
            else:
                self._silent.add(device)
            if isinstance(got, Sample) or got.why is Absence.REFUSED:
                break
        return got

    def _once(self, probe: str) -> Sample | Missing:
        address = self._addresses[probe]
        self._port.drain(quiet=self._gap, longest=self._options.timeout)
        try:
            got = self._read(self._request(address), probe=probe)
        except ModbusException:  # nothing came that can be read as a frame
            got = self._nothing(probe, device=address.device)
        if isinstance(got, Missing) and got.why is not Absence.REFUSED:
            self._port.drain(quiet=self._options.timeout, longest=2 * self._options.timeout)
        return got

    def _request(self, address: Address) -> ModbusPDU:
        function, first, amount = address.question
        ask = {
            1: self._client.read_coils,
            2: self._client.read_discrete_inputs,
            3: self._client.read_holding_registers,
            4: self._client.read_input_registers,
        }[function]
        return ask(first, count=amount, device_id=address.device)

    def _nothing(self, probe: str, *, device: int) -> Missing:
        heard = self._client.heard
        # Of an answer at a higher speed only a few bytes are seen, and other ones. Over the
        # network what comes first is no device's number, and there is no speed to get wrong.
        other = self._options.tcp is None and heard[:1] not in (b"", bytes([device]))
        if other or len(heard) >= _SHORTEST_REPLY:
            return Missing(
                probe,
                Absence.BAD_CHECKSUM,
                f"device {device}: no frame in {heard[:32].hex(' ')}",
            )
        came = f"only {heard.hex(' ')}" if heard else "nothing"
        return Missing(
            probe, Absence.NO_ANSWER, f"device {device}: {came} came before the time limit"
        )

    def _read(self, reply: ModbusPDU, *, probe: str) -> Sample | Missing:
        address = self._addresses[probe]
        function = address.question.function
        if reply.function_code & 0x7F != function:  # the top bit marks a refusal
            return Missing(
                probe,
                Absence.UNREADABLE,
                f"device {address.device} answered function {reply.function_code & 0x7F}, "
                f"asked was {function}",
            )
        if reply.isError():
            code = reply.exception_code
            words = REFUSALS.get(code, "for a reason of its own")
            return Missing(
                probe,
                Absence.REFUSED,
                f"device {address.device} answered with exception {code}: {words}",
            )
        if function > 2:
            return decode(reply.registers, address=address, probe=probe, unit=self._units[probe])
        if len(reply.bits) != 8:  # one byte holds the one bit that was asked for
            return Missing(
                probe,
                Absence.UNREADABLE,
                f"device {address.device} sent {len(reply.bits) // 8} bytes for one bit",
            )
        return Sample(probe, float(reply.bits[0]), self._units[probe])
