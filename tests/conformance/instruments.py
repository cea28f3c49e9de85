"""Instruments for the shipped drivers, in good order: what they answer, what their files hold."""

from collections.abc import Mapping
from pathlib import Path

from longsoak.testing.bench import Reads
from longsoak.vocabulary.sample import Sample


def meter(question: bytes) -> bytes:
    """A scanning meter: 1 MOhm at channel 101, 2 MOhm at 102."""
    if question == b"*IDN?":
        return b"INVENTED,BENCH METER,0,1.0\n"
    if question == b"SYST:ERR?":
        return b'0,"No error"\n'
    if question.startswith(b"MEAS:RES? (@10"):
        return b"+%c.000000E+06\r\n" % question[14]
    return b""


METER: Reads = [
    (Sample("pins 1", 1e6, "Ohm"), {"channel": 101}),
    (Sample("pins 2", 2e6, "Ohm"), {"channel": 102}),
]


def front_end(question: bytes) -> bytes:
    """A microcontroller that sends checksummed lines: 1 kOhm at P1, 2 kOhm at P2."""
    name = question.removeprefix(b"?")
    body = name + b"," + name[1:] + b"000,Ohm"
    checksum = 0
    for byte in body:
        checksum ^= byte
    return body + b"*%02X\r\n" % checksum


FRONT_END: Reads = [
    (Sample("pins 1", 1000.0, "Ohm"), {"name": "P1"}),
    (Sample("pins 2", 2000.0, "Ohm"), {"name": "P2"}),
]


class Sdi12Sensors:
    """Two SDI-12 sensors, one with two measurements; each is ready at once."""

    def __init__(self) -> None:
        self._measured = {"0": b"", "3": b""}

    def __call__(self, question: bytes) -> bytes:
        asked = question.decode("ascii")
        sensor, command = asked[:1], asked[1:]
        if sensor not in self._measured:
            return b""
        if command == "I":
            return f"{sensor}13GENERIC RHT001100\r\n".encode("ascii")
        if command in ("MC", "MC1"):
            self._measured[sensor] = {"0MC": b"+21.5", "0MC1": b"+64.2", "3MC": b"-0.25"}[asked]
            return f"{sensor}0001\r\n".encode("ascii")
        if command == "D0":
            body = sensor.encode("ascii") + self._measured[sensor]
            return body + crc_sdi12(body) + b"\r\n"
        return f"{sensor}\r\n".encode("ascii")


SDI12: Reads = [
    (Sample("air", 21.5, "Cel"), {"sensor": "0"}),
    (Sample("air humidity", 64.2, "%"), {"sensor": "0", "measurement": 1}),
    (Sample("wall", -0.25, "Cel"), {"sensor": "3"}),
]


def crc_sdi12(data: bytes) -> bytes:
    """Checksum of an SDI-12 answer (from memory), written apart from the code under test."""
    value = crc16(data, start=0)
    return bytes(0x40 | part & 0x3F for part in (value >> 12, value >> 6, value))


def crc16(data: bytes, *, start: int) -> int:
    """CRC-16, reflected A001; from FFFF it is the one of Modbus (from memory)."""
    crc = start
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


REGISTERS = {0: 412, 1: 65_336}  # the second is -200 with its sign


def rtu_device(question: bytes) -> bytes:
    """Device 1 with two input registers, over serial."""
    body = question[:-2]
    if crc16(body, start=0xFFFF).to_bytes(2, "little") != question[-2:] or body[:2] != b"\x01\x04":
        return b""
    answer = body[:2] + _registers(body[2:])
    return answer + crc16(answer, start=0xFFFF).to_bytes(2, "little")


def tcp_device(question: bytes) -> bytes:
    """The same device over the network, where a number ties answer and question together."""
    answer = question[6:8] + _registers(question[8:])
    return question[:4] + len(answer).to_bytes(2, "big") + answer


def _registers(asked: bytes) -> bytes:
    first, amount = (int.from_bytes(asked[n : n + 2], "big") for n in (0, 2))
    values = [REGISTERS[first + n] for n in range(amount)]
    return bytes([2 * amount]) + b"".join(value.to_bytes(2, "big") for value in values)


MODBUS: Reads = [
    (Sample("RH", 41.2, "%"), {"device": 1, "input": 0, "scale": 0.1}),
    (Sample("T", -20.0, "Cel"), {"device": 1, "input": 1, "scale": 0.1}),
]


def thermometers(root: Path, _: int) -> Mapping[str, Path]:
    """Two 1-Wire thermometers as the kernel lists them (memory contents computed)."""
    return {
        "wood": write(
            root / "28-0316a2795c13" / "w1_slave",
            "91 01 4b 46 7f ff 0c 10 70 : crc=70 YES",
            "91 01 4b 46 7f ff 0c 10 70 t=25062",
        ),
        "air": write(
            root / "28-000005e2fdc3" / "w1_slave",
            "50 05 4b 46 7f ff 10 10 bd : crc=bd YES",
            "50 05 4b 46 7f ff 10 10 bd t=85000",
        ),
    }


THERMOMETERS: Reads = [
    (Sample("wood", 25.062, "Cel"), {"id": "28-0316a2795c13"}),
    (Sample("air", 85.0, "Cel"), {"id": "28-000005e2fdc3"}),
]


def converter(root: Path, number: int) -> Mapping[str, Path]:
    """A converter with two channels, which the kernel numbers as it finds it."""
    seat = root.parent / "devices" / "1-0048" / f"iio:device{number}"
    write(seat / "name", "ads1015")
    write(seat / "in_voltage_scale", "0.5")
    (root / seat.name).symlink_to(seat)
    return {
        "water level": write(seat / "in_voltage0_raw", "1400"),
        "supply": write(seat / "in_voltage3_raw", "-8"),
    }


CONVERTER: Reads = [
    (Sample("water level", 700.0, "mV"), {"channel": "voltage0"}),
    (Sample("supply", -4.0, "mV"), {"channel": "voltage3"}),
]


def chips(root: Path, number: int) -> Mapping[str, Path]:
    """One chip for humidity and temperature, which the kernel numbers as it finds it."""
    folder = root / f"hwmon{number}"
    write(folder / "name", "sht3x")
    seat = root.parent / "devices" / "1-0044"
    seat.mkdir(parents=True)
    (folder / "device").symlink_to(seat)
    return {
        "humidity": write(folder / "humidity1_input", "64250"),
        "temperature": write(folder / "temp1_input", "21500"),
    }


CHIPS: Reads = [
    (Sample("humidity", 64.25, "%"), {"chip": "sht3x", "channel": "humidity1"}),
    (Sample("temperature", 21.5, "Cel"), {"chip": "sht3x", "channel": "temp1"}),
]


def write(path: Path, *lines: str) -> Path:
    """Write a file of lines, in a folder that is made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("".join(f"{line}\n" for line in lines))
    return path
