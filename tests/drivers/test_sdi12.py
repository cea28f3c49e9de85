"""SDI-12 sensors behind an adapter: answers alone, and a whole bus over a pty with its bad days."""

import time
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.ptys import Device, Script, plugged, settings
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers import sdi12
from longsoak_drivers.sdi12 import SdiBus, Unusable, crc, decode_start, decode_values

PROBES: dict[str, dict[str, object]] = {
    "T": {"sensor": "0", "value": 1},
    "RH": {"sensor": "0", "value": 2},
    "old": {"sensor": "3", "checked": False},
    "dead": {"sensor": "7"},
}


CALLED = "GENERIC RHT001100A-42"


def summed(body: bytes) -> bytes:
    return body + crc(body) + b"\r\n"


class Bus:
    """Sensors in good order; `instead` holds what one question brings in its place."""

    def __init__(self, **instead: Iterable[bytes | float]) -> None:
        self.instead = {question.removeprefix("q"): said for question, said in instead.items()}

    def __call__(self, question: bytes) -> Iterable[bytes | float]:
        asked = question.decode()
        if asked in self.instead:
            return self.instead[asked]
        answers: dict[str, list[bytes | float]] = {
            "0": [b"0\r\n"],
            "3": [b"3\r\n"],
            # 013 + eight characters of maker, six of model, three of version, up to 13 of its own.
            "0I": [b"013GENERIC RHT001100A-42\r\n"],
            "3I": [b"312GENERIC T     012\r\n"],
            "0MC": [b"00013\r\n", 0.05, b"0\r\n"],  # three values in a second, ready sooner
            "0D0": [summed(b"0+21.5-0.25")],
            "0D1": [summed(b"0+64.2")],
            "3M": [b"30001\r\n"],  # one value at once
            "3D0": [b"3+1.5\r\n"],
        }
        return answers.get(asked, [])


def opened(device: Device, *probes: str) -> SdiBus:
    channels = {probe: PROBES[probe] for probe in probes or PROBES}
    return sdi12.open_bus(settings(channels, unit="Cel", port=device.path, timeout=0.1))


def polled(folder: Path, script: Script, *probes: str) -> list[Sample | Missing]:
    with plugged(folder / "port", script, end=b"!") as device:
        bus = opened(device, *probes)
        got = list(bus.poll(probes))
        bus.close()
        return got


def missing(got: Sample | Missing) -> Missing:
    assert isinstance(got, Missing)
    return got


def test_one_measurement_serves_all_probes_of_a_sensor(tmp_path: Path) -> None:
    with plugged(tmp_path / "port", Bus(q3I=[]), end=b"!") as device:
        bus = opened(device)
        assert (
            bus.describe() == f"of sensors 0, 3, 7 on {device.path} these answered: 0 ({CALLED}), 3"
        )
        del device.heard[:]
        start = time.monotonic()
        assert list(bus.poll(["RH", "old", "T"])) == [
            Sample("RH", -0.25, "Cel"),
            Sample("old", 1.5, "Cel"),
            Sample("T", 21.5, "Cel"),
        ]
        # The sensor said "a second" and was ready sooner; nobody waits for the rest of it.
        assert time.monotonic() - start < 0.9
        assert device.heard == [b"0MC", b"0D0", b"0D1", b"3M", b"3D0"]
        bus.close()
        bus.close()


def test_a_silent_sensor_is_missing_and_asked_once_until_it_answers(tmp_path: Path) -> None:
    with plugged(tmp_path / "port", Bus(), end=b"!") as device:
        bus = opened(device)
        del device.heard[:]
        dead, alive = bus.poll(["dead", "old"])
        assert missing(dead).why is Absence.NO_ANSWER
        assert missing(dead).detail == "sensor 7: nothing came before the time limit"
        assert alive == Sample("old", 1.5, "Cel")
        assert device.heard.count(b"7MC") == 1  # it was silent when the bus was opened
        bus.close()


def test_a_sensor_that_answers_only_the_third_time_gives_its_value(tmp_path: Path) -> None:
    bus = Bus()
    waiting: list[list[bytes | float]] = [[], [b"30"], [b"30001\r\n"]]

    def script(question: bytes) -> Iterable[bytes | float]:
        return waiting.pop(0) if question == b"3M" and waiting else bus(question)

    assert polled(tmp_path, script, "old") == [Sample("old", 1.5, "Cel")]


@pytest.mark.parametrize(
    ("instead", "why", "says"),
    [
        ({"q0D0": [b"0+21.5-0.25AAA\r\n"]}, Absence.BAD_CHECKSUM, "doesn't match its checksum"),
        ({"q0D0": [b"0+21.5-0.25\r\n"]}, Absence.BAD_CHECKSUM, "doesn't match its checksum"),
        ({"q0D0": [summed(b"3+21.5")]}, Absence.UNREADABLE, "another sensor than 0"),
        ({"q0D0": [b"0+21"]}, Absence.NO_ANSWER, "only b'0+21' came"),
        ({"q0D0": [b"U" * 500]}, Absence.UNREADABLE, "96 bytes without a line end"),
        # A measurement that was cut short has no values (4.4.6, from memory).
        ({"q0D0": [summed(b"0")]}, Absence.UNREADABLE, "promised 3 values and gave 0"),
        ({"q0D1": [summed(b"0")]}, Absence.UNREADABLE, "promised 3 values and gave 2"),
        ({"q0D1": [summed(b"0+1+2")]}, Absence.UNREADABLE, "promised 3 values and gave 4"),
        ({"q0MC": [b"10013\r\n"]}, Absence.UNREADABLE, "answers for another sensor than 0"),
        ({"q0MC": [b"\xff\x00\r\n"]}, Absence.BAD_CHECKSUM, "is no line of text"),
        ({"q0MC": [b"0?\r\n"]}, Absence.UNREADABLE, "is not an answer to the start"),
        ({"q0MC": [b"09003\r\n"]}, Absence.REFUSED, "takes 900 s to measure"),
    ],
)
def test_a_measurement_that_went_wrong_is_told_and_leaves_the_others(
    tmp_path: Path, instead: dict[str, list[bytes | float]], why: Absence, says: str
) -> None:
    got, other = polled(tmp_path, Bus(**instead), "T", "old")
    assert missing(got).why is why
    assert says in missing(got).detail
    assert other == Sample("old", 1.5, "Cel")


def test_without_an_announcement_of_its_own_the_values_are_asked_for_when_due(
    tmp_path: Path,
) -> None:
    start = time.monotonic()
    (got,) = polled(tmp_path, Bus(q0MC=[b"00013\r\n", 0.02, b"3\r\n"]), "T")
    assert got == Sample("T", 21.5, "Cel")
    assert 2.0 <= time.monotonic() - start < 4.0


def test_an_announcement_in_place_of_values_is_asked_past(tmp_path: Path) -> None:
    """The sensor was slower than it said, and its announcement crosses the next question."""
    bus = Bus()
    first: list[bytes | float] = [b"0\r\n", 0.02, summed(b"0+99.9-0.25")]

    def script(question: bytes) -> Iterable[bytes | float]:
        if question == b"0D0" and first:
            said = [*first]
            first.clear()
            return said
        return bus(question)

    assert polled(tmp_path, script, "T") == [Sample("T", 21.5, "Cel")]


@pytest.mark.parametrize(
    ("ending", "echo"), [("\r", False), ("\r", True), ("\n", True), ("\r\n", True)]
)
def test_an_adapter_that_wants_a_line_end_gets_it(tmp_path: Path, ending: str, echo: bool) -> None:
    bus, sent = Bus(), b"!" + ending.encode()

    def script(question: bytes) -> Iterable[bytes | float]:
        return [question + sent, *bus(question)] if echo else bus(question)

    with plugged(tmp_path / "port", script, end=sent) as device:
        opened = sdi12.open_bus(
            settings({"old": PROBES["old"]}, port=device.path, timeout=0.3, ending=ending)
        )
        assert list(opened.poll(["old"])) == [Sample("old", 1.5, "Ohm")]
        assert opened.describe().endswith("these answered: 3 (GENERIC T 012)")
        opened.close()


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (b"013GENERIC RHT001100A-42\r\n", CALLED),
        (b"z14MAKER   MODEL 1.0\r\n", "MAKER MODEL 1.0"),
        (b"013GENERIC RHT001100A-42", None),
        (b"313GENERIC RHT001100A-42\r\n", None),
        (b"0\r\n", None),
        (b"013GENERIC \xff\xff\xff\xff\xff\xff100\r\n", None),
        (b"013" + b"x" * 31 + b"\r\n", None),
    ],
)
def test_an_identity_is_read_or_is_none(line: bytes, words: str | None) -> None:
    # SDI-12 specification 1.4, 4.4.2 (from memory): allccccccccmmmmmmvvvxxx...
    sensor = "z" if line.startswith(b"z") else "0"
    assert sdi12.decode_identity(line, sensor=sensor) == words


def test_an_adapter_that_echoes_questions_and_greets_is_understood(tmp_path: Path) -> None:
    bus = Bus()

    def echoing(question: bytes) -> Iterable[bytes | float]:
        return [question + b"!", *bus(question)]

    assert polled(tmp_path, echoing, "T", "old") == [
        Sample("T", 21.5, "Cel"),
        Sample("old", 1.5, "Cel"),
    ]


def test_a_value_the_measurement_has_not_is_told(tmp_path: Path) -> None:
    channels: dict[str, dict[str, object]] = {"far": {"sensor": "0", "value": 4}}
    with plugged(tmp_path / "port", Bus(), end=b"!") as device:
        bus = sdi12.open_bus(settings(channels, port=device.path, timeout=0.3))
        (got,) = bus.poll(["far"])
        assert missing(got).detail == "sensor 0 has 3 values in this measurement, no number 4"
        bus.close()


@pytest.mark.parametrize(
    ("body", "value"),
    [
        ("0+1234567", 1234567.0),
        ("0-1234.567", -1234.567),
        ("0+.1234567", 0.1234567),
        ("0+5.", 5.0),
        ("0+12345678", None),
        ("0+1234.5678", None),
        ("0+1.2.3", None),
        ("0+.", None),
    ],
)
def test_a_value_is_a_sign_and_at_most_seven_digits(body: str, value: float | None) -> None:
    # SDI-12 specification 1.4, 4.4.5 (from memory).
    line = f"{body}\r\n".encode()
    if value is None:
        with pytest.raises(Unusable):
            decode_values(line, sensor="0", checked=False)
    else:
        assert decode_values(line, sensor="0", checked=False) == [value]


@given(st.binary(max_size=100), st.booleans())
def test_no_bytes_break_the_decoders(noise: bytes, checked: bool) -> None:
    for line in (noise, noise + b"\r\n"):
        try:
            found = decode_values(line, sensor="0", checked=checked)
        except Unusable:
            pass
        else:
            assert line.startswith(b"0")
            assert all(isinstance(value, float) for value in found)
        try:
            seconds, values = decode_start(line, sensor="0")
        except Unusable:
            continue
        assert line == b"0%03d%d\r\n" % (seconds, values)


@given(st.data())
def test_one_wrong_byte_in_a_summed_answer_is_noticed(data: st.DataObject) -> None:
    line = bytearray(summed(b"0+3.14+2.718+1.414"))
    place = data.draw(st.integers(0, len(line) - 3))
    line[place] ^= 1 << data.draw(st.integers(0, 7))
    with pytest.raises(Unusable):
        decode_values(bytes(line), sensor="0", checked=True)
