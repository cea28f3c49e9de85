"""The simulated SDI-12 sensor, asked as an adapter asks.

Questions, answers and checksums: SDI-12 specification 1.4, sections 4.4.1 to 4.4.12 (from memory).
"""

from collections.abc import Iterator

import pytest
import serial

from demo.running import Running
from longsoak_demo.events import Event, Kind
from longsoak_demo.places import BY_NAME
from longsoak_demo.sdisensor import checksum


@pytest.fixture
def adapter(rig: Running) -> Iterator[serial.Serial]:
    port = str(rig.folder / "ports" / "over-water")
    with serial.Serial(port, timeout=1.5, exclusive=True) as opened:
        yield opened


def ask(port: serial.Serial, question: bytes) -> bytes:
    port.write(question)
    return port.read_until(b"\n")


def values(rig: Running) -> bytes:
    humidity, temperature = (rig.bench.reading(BY_NAME[f"over water {n}"]) for n in ("RH", "T"))
    return f"{humidity:+.2f}{temperature:+.2f}".encode()


# Strings of the specification's own examples (from memory; computed to agree with CRC-16/ARC).
@pytest.mark.parametrize(
    ("text", "characters"),
    [
        ("0+3.14", "OqZ"),
        ("0+3.14+2.718+1.414", "Ipz"),
        ("0+1.11+2.22+3.33+4.44+5.55+6.66", "I]q"),
        ("0+7.77+8.88+9.99", "IvW"),
        ("0", "AP@"),
    ],
)
def test_the_checksum_is_the_specifications(text: str, characters: str) -> None:
    assert checksum(text) == characters


def test_it_says_that_it_is_there_and_what_it_is(adapter: serial.Serial) -> None:
    assert ask(adapter, b"0!") == b"0\r\n"
    assert ask(adapter, b"?!") == b"0\r\n"
    # Address, version of the standard, maker in 8 characters, model in 6, its version in 3.
    assert ask(adapter, b"0I!") == b"014INVENTEDAIR-RH001\r\n"


def test_a_checked_measurement_is_announced_and_then_fetched(
    rig: Running, adapter: serial.Serial
) -> None:
    assert ask(adapter, b"0MC!") == b"00012\r\n"  # two values within a second
    assert adapter.read_until(b"\n") == b"0\r\n"
    body = b"0" + values(rig)
    assert ask(adapter, b"0D0!") == body + checksum(body.decode()).encode() + b"\r\n"
    assert ask(adapter, b"0D1!") == b"0AP@\r\n"  # both fitted into the first


def test_an_unchecked_measurement_has_no_checksum_and_can_be_fetched_again(
    rig: Running, adapter: serial.Serial
) -> None:
    assert ask(adapter, b"0M!") == b"00012\r\n"
    assert adapter.read_until(b"\n") == b"0\r\n"
    for _ in range(2):
        assert ask(adapter, b"0D0!\r\n") == b"0" + values(rig) + b"\r\n"


def test_a_question_before_it_is_ready_ends_the_measurement(adapter: serial.Serial) -> None:
    assert ask(adapter, b"0MC!") == b"00012\r\n"
    assert ask(adapter, b"0D0!") == b"0AP@\r\n"
    adapter.timeout = 0.5  # s; it would have announced itself after 0.3
    assert adapter.read_until(b"\n") == b""


def test_it_has_no_further_measurements(adapter: serial.Serial) -> None:
    assert ask(adapter, b"0M1!") == b"00000\r\n"
    assert ask(adapter, b"0D0!") == b"0\r\n"


@pytest.mark.parametrize(
    "question", [b"1!", b"0X!", b"?I!", b"0MCC!", b"\xff\x00!", b"!", b"0" * 99]
)
def test_what_is_not_for_it_or_unknown_gets_no_answer(
    adapter: serial.Serial, question: bytes
) -> None:
    adapter.write(question)
    assert ask(adapter, b"!0!") == b"0\r\n", "something answered before the question it knows"


def test_silenced_or_cut_off_it_says_nothing_until_it_is_mended(
    rig: Running, adapter: serial.Serial
) -> None:
    adapter.timeout = 0.2
    for mishap in (
        Event(0, Kind.SILENCE, bus="over water"),
        Event(0, Kind.SILENCE, probe="over water T"),
        Event(0, Kind.OPEN_WIRE, probe="over water RH"),
    ):
        rig.happen(mishap)
        assert ask(adapter, b"0!") == b""
        rig.happen(Event(1, Kind.MEND))
        assert ask(adapter, b"0!") == b"0\r\n"


def test_cut_off_while_it_measures_it_never_announces_itself(
    rig: Running, adapter: serial.Serial
) -> None:
    assert ask(adapter, b"0MC!") == b"00012\r\n"
    rig.happen(Event(0, Kind.SILENCE, probe="over water T"))
    adapter.timeout = 0.5
    assert adapter.read_until(b"\n") == b""
