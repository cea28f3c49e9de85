"""Checksummed text lines: on bytes, and over a pty with every kind of bad day."""

import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.ptys import Device, Recorded, Script, plugged, settings
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers import lines
from longsoak_drivers.lines import LineBus, checksum, decode
from waiting import wait_for

PROBES: dict[str, dict[str, object]] = {f"pins {n}": {"name": f"P{n}"} for n in range(1, 5)}


def framed(body: bytes) -> bytes:
    return body + b"*" + checksum(body) + b"\r\n"


def answering(question: bytes) -> list[bytes | float]:
    """A front end in good order: P1 measures 1 kOhm, P2 2 kOhm and so on."""
    name = question.removeprefix(b"?")
    return [framed(name + b"," + name[1:] + b"000,Ohm")]


def opened(device: Device, *, timeout: float = 0.4) -> LineBus:
    return lines.open_bus(settings(PROBES, port=device.path, timeout=timeout))


def test_the_checksum_is_the_one_of_nmea_0183() -> None:
    # The sentence every description of NMEA 0183 shows; from memory.
    body = b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert checksum(body) == b"47"


def test_a_good_line_is_a_sample_of_the_probe_and_not_of_the_wire_name() -> None:
    got = decode(b"P3,412000,Ohm*2E\r\n", name="P3", probe="C 30/60")
    assert got == Sample("C 30/60", 412000.0, "Ohm")


@pytest.mark.parametrize(
    ("line", "why", "says"),
    [
        (b"", Absence.NO_ANSWER, "nothing came"),
        (b"P3,412000,Ohm*2E", Absence.NO_ANSWER, "only b'P3,412000,Ohm*2E' came"),
        (b"P3,412000,Ohm*00\r\n", Absence.BAD_CHECKSUM, "doesn't match"),
        (b"P3,412000,Ohm\r\n", Absence.BAD_CHECKSUM, "doesn't match"),
        (b"P3,4120\r\n", Absence.BAD_CHECKSUM, "doesn't match"),
        (b"\xff\xfe\x00\n", Absence.BAD_CHECKSUM, "doesn't match"),
        (b"*00\n", Absence.UNREADABLE, "not name,value,unit"),
        (framed(b"P3,\xb5,Ohm"), Absence.UNREADABLE, "not a number"),
        (framed(b"P3,nan,Ohm"), Absence.UNREADABLE, "not a number"),
        (framed(b"P3,inf,Ohm"), Absence.UNREADABLE, "not a number"),
        (framed(b"P3,1e999,Ohm"), Absence.UNREADABLE, "not a number"),
        (framed(b"P3,4_1,Ohm"), Absence.UNREADABLE, "not a number"),
        (framed(b"P3,412000,"), Absence.UNREADABLE, "not a unit"),
        (framed(b"P2,412000,Ohm"), Absence.UNREADABLE, "answers for 'P2'"),
        (framed(b"P2,error,open"), Absence.UNREADABLE, "answers for 'P2'"),
        (framed(b"P3,error,overrange"), Absence.REFUSED, "P3 reports 'overrange'"),
        (b"U" * 80, Absence.UNREADABLE, "80 bytes without a line end"),
        (b"\x90\xfe", Absence.BAD_CHECKSUM, "is no line of text"),
    ],
)
def test_a_bad_line_says_what_is_wrong_with_it(line: bytes, why: Absence, says: str) -> None:
    got = decode(line, name="P3", probe="C 30/60")
    assert isinstance(got, Missing)
    assert (got.probe, got.why) == ("C 30/60", why)
    assert says in got.detail


@given(st.binary(max_size=90), st.booleans())
def test_noise_is_never_a_value(noise: bytes, ended: bool) -> None:
    # One byte in 256 of pure noise has the right checksum; name and number then stop it.
    got = decode(noise + b"\n" * ended, name="P3", probe="C 30/60")
    assert isinstance(got, Missing)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_number_a_front_end_can_print_comes_back(value: float) -> None:
    got = decode(framed(f"P3,{value!r},Ohm".encode()), name="P3", probe="p")
    assert got == Sample("p", value, "Ohm")


@given(st.data())
def test_one_wrong_byte_anywhere_is_noticed(data: st.DataObject) -> None:
    line = b"P3,412000,Ohm*2E\r\n"
    place = data.draw(st.integers(0, len(line) - 3))
    wrong = data.draw(st.integers(0, 255).filter(lambda byte: byte != line[place]))
    got = decode(line[:place] + bytes([wrong]) + line[place + 1 :], name="P3", probe="p")
    # The hex digits may come in lower case: that is the same checksum.
    assert isinstance(got, Missing) or bytes([wrong]).upper() == line[place : place + 1]


def test_each_probe_is_asked_once_and_in_order(tmp_path: Path) -> None:
    with plugged(tmp_path / "port", answering) as device:
        bus = opened(device)
        asked = ["pins 3", "pins 1", "pins 4"]
        assert list(bus.poll(asked)) == [
            Sample("pins 3", 3000.0, "Ohm"),
            Sample("pins 1", 1000.0, "Ohm"),
            Sample("pins 4", 4000.0, "Ohm"),
        ]
        assert device.heard == [b"?P3", b"?P1", b"?P4"]
        assert bus.describe() == f"4 names on {device.path}"
        bus.close()
        bus.close()


def only_p2(script: Script) -> Script:
    """Let P2 do something else; the others answer."""
    return lambda question: script(question) if question == b"?P2" else answering(question)


@pytest.mark.parametrize(
    ("bad", "why"),
    [
        pytest.param(lambda q: [b"U" * 3000], Absence.UNREADABLE, id="babble"),
        pytest.param(lambda q: [b"\x00\xff\n\xfe\n\n"], Absence.BAD_CHECKSUM, id="noise in lines"),
        pytest.param(lambda q: [framed(b"P2,error,guard")], Absence.REFUSED, id="an error"),
    ],
)
def test_one_bad_probe_leaves_the_others_their_own_values(
    tmp_path: Path, bad: Script, why: Absence
) -> None:
    with plugged(tmp_path / "port", only_p2(bad)) as device:
        bus = opened(device)
        start = time.monotonic()
        first, second, *rest = list(bus.poll(list(PROBES)))
        assert time.monotonic() - start < 4
        assert first == Sample("pins 1", 1000.0, "Ohm")
        assert isinstance(second, Missing)
        assert second.why is why
        # The slow one may still be sending; whatever comes is a miss, never another's value.
        values = {got.probe: got.value for got in rest if isinstance(got, Sample)}
        assert values.items() <= {"pins 3": 3000.0, "pins 4": 4000.0}.items()
        wait_for(
            lambda: list(bus.poll(["pins 4"])) == [Sample("pins 4", 4000.0, "Ohm")],
            what="the late answers to pass",
            limit=5.0,
        )
        bus.close()


def test_a_late_answer_does_not_shift_the_ones_after_it(tmp_path: Path) -> None:
    late = only_p2(lambda question: [0.5, *answering(question)])
    with plugged(tmp_path / "port", late) as device:
        bus = opened(device, timeout=0.4)
        one, two, three, four = list(bus.poll(list(PROBES)))
        assert isinstance(two, Missing)
        assert one == Sample("pins 1", 1000.0, "Ohm")
        assert three == Sample("pins 3", 3000.0, "Ohm")
        assert four == Sample("pins 4", 4000.0, "Ohm")
        bus.close()


def test_an_answer_later_still_is_a_miss_for_the_next_and_then_all_is_well(tmp_path: Path) -> None:
    """0.7 s is later than the drain waits, so the late line meets the question after it."""
    late = only_p2(lambda question: [0.7, *answering(question)])
    with plugged(tmp_path / "port", late) as device:
        bus = opened(device, timeout=0.4)
        one, two, three, four = list(bus.poll(list(PROBES)))
        assert one == Sample("pins 1", 1000.0, "Ohm")
        assert isinstance(two, Missing)
        assert isinstance(three, Missing)
        assert "answers for 'P2'" in three.detail
        assert four == Sample("pins 4", 4000.0, "Ohm")
        bus.close()


def test_what_a_board_says_while_it_starts_is_no_answer(tmp_path: Path) -> None:
    with plugged(tmp_path / "port", answering) as device:
        device.say(b"front end 3 starting\r\n")
        bus = opened(device)
        assert list(bus.poll(["pins 1"])) == [Sample("pins 1", 1000.0, "Ohm")]
        bus.close()


def test_a_silent_front_end_is_a_miss_for_each_probe_and_no_bus_error(tmp_path: Path) -> None:
    with plugged(tmp_path / "port", lambda question: []) as device:
        bus = opened(device, timeout=0.1)
        got = list(bus.poll(list(PROBES)))
        assert [miss.probe for miss in got] == list(PROBES)
        assert all(isinstance(miss, Missing) and miss.why is Absence.NO_ANSWER for miss in got)
        bus.close()


@given(st.lists(st.binary(max_size=100), max_size=8))
def test_a_poll_of_noise_gives_one_miss_per_probe(answers: list[bytes]) -> None:
    bus = LineBus(
        Recorded(*answers),
        names={probe: f"P{n}" for n, probe in enumerate(PROBES)},
        timeout=1,
        where="x",
    )
    got = list(bus.poll(list(PROBES)))
    assert [miss.probe for miss in got] == list(PROBES)
    assert all(isinstance(miss, Missing) for miss in got)
