"""The SCPI meter: on bytes, and over a pty with a meter that has bad days."""

import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.ptys import Device, Recorded, Script, plugged, settings
from longsoak.driver import Channel
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers import scpi
from longsoak_drivers.scpi import Meter, decode, decode_error, decode_identity

NAME = b"INVENTED,BENCH METER,0,1.0"
PROBES: dict[str, dict[str, object]] = {f"pins {n}": {"channel": 100 + n} for n in range(1, 5)}


def meter(bad: dict[int, Script] | None = None, *, error: bytes = b'0,"No error"') -> Script:
    """A meter whose channel 101 has 1 MOhm, 102 2 MOhm and so on, but for the `bad` channels."""

    def answer(question: bytes) -> list[bytes | float]:
        if question == b"*IDN?":
            return [NAME + b"\n"]
        if question == b"SYST:ERR?":
            return [error + b"\n"]
        if not question.startswith(b"MEAS:RES? (@"):
            return []
        channel = int(question[12:-1])
        if bad and channel in bad:
            return list(bad[channel](question))
        return [b"+%d.000000E+06\r\n" % (channel - 100)]

    return answer


def opened(device: Device, *, timeout: float = 0.4) -> Meter:
    return scpi.open_bus(settings(PROBES, port=device.path, timeout=timeout))


def megohms(number: int) -> Sample:
    return Sample(f"pins {number}", number * 1e6, "Ohm")


def missing(got: Sample | Missing) -> Missing:
    assert isinstance(got, Missing)
    return got


@pytest.mark.parametrize(
    ("line", "value"),
    [
        (b"+1.234560E+06\n", 1.23456e6),
        (b"+1.234560E+06\r\n", 1.23456e6),
        (b"-0.5\n", -0.5),
        (b"412000\n", 412000.0),
        (b".5e3\n", 500.0),
        # SCPI-99: 9.9E37 stands for infinity; from memory. Kept, because an open circuit is news.
        (b"+9.90000000E+37\n", 9.9e37),
    ],
)
def test_a_number_is_a_sample_in_the_unit_of_its_channel(line: bytes, value: float) -> None:
    assert decode(line, probe="C 30/60", unit="Ohm") == Sample("C 30/60", value, "Ohm")


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"", Absence.NO_ANSWER),
        (b"+1.23", Absence.NO_ANSWER),
        # SCPI-99: 9.91E37 stands for "not a number"; from memory.
        (b"+9.91000000E+37\n", Absence.UNREADABLE),
        (b"\n", Absence.UNREADABLE),
        (b"nan\n", Absence.UNREADABLE),
        (b"inf\n", Absence.UNREADABLE),
        (b"1e999\n", Absence.UNREADABLE),
        (b"1_000\n", Absence.UNREADABLE),
        (b"+1.0E+06,+2.0E+06\n", Absence.UNREADABLE),
        (b"+1.2\x00E+06\n", Absence.UNREADABLE),
        (b"\xff\xfe\n", Absence.UNREADABLE),
        (NAME + b"\n", Absence.UNREADABLE),
        (b"1" * 256, Absence.UNREADABLE),
    ],
)
def test_what_is_no_number_is_missing(line: bytes, why: Absence) -> None:
    assert missing(decode(line, probe="p", unit="Ohm")).why is why


@given(st.binary(max_size=300))
def test_no_bytes_break_the_decoders(noise: bytes) -> None:
    got = decode(noise, probe="p", unit="Ohm")
    assert isinstance(got, Missing) or float(noise) == got.value
    assert decode_identity(noise) is None or noise.count(b",") == 3
    assert decode_error(noise) is None or b'"' in noise


@given(st.floats(allow_nan=False, allow_infinity=False, max_value=9e37))
def test_a_measured_number_is_never_an_identity_or_an_error(value: float) -> None:
    line = b"%+.6E\n" % value
    assert isinstance(decode(line, probe="p", unit="Ohm"), Sample)
    assert decode_identity(line) is None
    assert decode_error(line) is None


def test_channels_are_asked_one_at_a_time_and_in_order(tmp_path: Path) -> None:
    with plugged(tmp_path / "port", meter()) as device:
        bus = opened(device)
        assert list(bus.poll(["pins 3", "pins 1"])) == [megohms(3), megohms(1)]
        asked = [question for question in device.heard if b"MEAS" in question]
        assert asked == [b"MEAS:RES? (@103)", b"MEAS:RES? (@101)"]
        assert bus.describe() == f"{NAME.decode()} on {device.path}"
        bus.close()
        bus.close()


def test_the_question_can_be_the_meters_own(tmp_path: Path) -> None:
    def other(question: bytes) -> list[bytes | float]:
        return [b"21.5\n"] if question == b"MEAS:TEMP? 7;:ROUT:OPEN" else list(meter()(question))

    with plugged(tmp_path / "port", other) as device:
        query = "MEAS:TEMP? {channel};:ROUT:OPEN"
        bus = scpi.open_bus(
            settings({"T": {"channel": 7}}, unit="Cel", port=device.path, query=query)
        )
        assert list(bus.poll(["T"])) == [Sample("T", 21.5, "Cel")]
        bus.close()


def test_nothing_at_the_port_is_a_bus_error_that_says_where_to_look(tmp_path: Path) -> None:
    with plugged(tmp_path / "port", lambda question: []) as device:
        with pytest.raises(BusError, match=r"nothing answered \*IDN\?. Check that the meter is on"):
            opened(device)
        device.unplug()
    # The failed attempt let go of the port.
    with plugged(tmp_path / "port", meter()) as device:
        opened(device).close()


def test_old_numbers_before_the_identity_are_not_taken_for_it(tmp_path: Path) -> None:
    def busy(question: bytes) -> list[bytes | float]:
        stale = [b"+7.0E+06\n"] if question == b"*IDN?" else []
        return [*stale, *meter()(question)]

    with plugged(tmp_path / "port", busy) as device:
        bus = opened(device)
        assert list(bus.poll(["pins 1"])) == [megohms(1)]
        bus.close()


@pytest.mark.parametrize(
    ("bad", "why"),
    [
        pytest.param(lambda q: [], Absence.NO_ANSWER, id="silence"),
        pytest.param(lambda q: [b"+2.0000"], Absence.NO_ANSWER, id="half a number"),
        pytest.param(lambda q: [1.3, b"+2.0E+06\n"], Absence.NO_ANSWER, id="a very late number"),
        pytest.param(lambda q: [0.6, b"+2.0E+06\n"], Absence.NO_ANSWER, id="a late number"),
        pytest.param(
            lambda q: [step for byte in b"+2.0E+06\n" for step in (bytes([byte]), 0.1)],
            Absence.NO_ANSWER,
            id="a byte each 0.1 s",
        ),
        pytest.param(lambda q: [b"\n"], Absence.UNREADABLE, id="an empty line"),
        pytest.param(lambda q: [b"U" * 2000], Absence.UNREADABLE, id="babble"),
        pytest.param(lambda q: [b"+1\xff\n\xfe\n+5.0E+06\n"], Absence.UNREADABLE, id="noise"),
        pytest.param(lambda q: [b"+9.91E+37\n"], Absence.UNREADABLE, id="not a number"),
    ],
)
def test_one_bad_channel_never_shifts_the_others(tmp_path: Path, bad: Script, why: Absence) -> None:
    """An answer carries no channel: one answer too few or too many would move all after it."""
    with plugged(tmp_path / "port", meter({102: bad})) as device:
        bus = opened(device, timeout=0.5)
        start = time.monotonic()
        one, two, three, four = list(bus.poll(list(PROBES)))
        assert time.monotonic() - start < 4
        assert missing(two).why is why
        assert [one, three, four] == [megohms(1), megohms(3), megohms(4)]
        bus.close()


@pytest.mark.parametrize("bad", [lambda q: [], lambda q: [b"\n"], lambda q: [b"OVLD\n"]])
def test_the_meters_own_error_is_told(tmp_path: Path, bad: Script) -> None:
    script = meter({102: bad}, error=b'-222,"Data out of range"')
    with plugged(tmp_path / "port", script) as device:
        bus = opened(device)
        one, two, three = list(bus.poll(["pins 1", "pins 2", "pins 3"]))
        assert missing(two) == Missing(
            "pins 2", Absence.REFUSED, "the meter reports -222, 'Data out of range'"
        )
        assert [one, three] == [megohms(1), megohms(3)]
        bus.close()


def test_a_question_that_cut_in_is_no_refusal(tmp_path: Path) -> None:
    """-410 is what a meter says that was still measuring when the driver asked its name."""
    script = meter({102: lambda q: [0.6]}, error=b'-410,"Query INTERRUPTED"')
    with plugged(tmp_path / "port", script) as device:
        bus = opened(device)
        assert missing(next(iter(bus.poll(["pins 2"])))).why is Absence.NO_ANSWER
        bus.close()


@pytest.mark.parametrize("late", [[], [0.6, b'0,"No error"\n']])
def test_an_error_queue_that_is_silent_or_slow_shifts_nothing(
    tmp_path: Path, late: list[bytes | float]
) -> None:
    def slow(question: bytes) -> list[bytes | float]:
        bad: dict[int, Script] = {102: lambda q: [b"OVLD\n"]}
        return late if question == b"SYST:ERR?" else list(meter(bad)(question))

    with plugged(tmp_path / "port", slow) as device:
        bus = opened(device)
        two, three, four = list(bus.poll(["pins 2", "pins 3", "pins 4"]))
        assert missing(two).why is Absence.UNREADABLE
        assert [three, four] == [megohms(3), megohms(4)]
        bus.close()


def test_a_meter_switched_off_in_the_middle_is_a_bus_error(tmp_path: Path) -> None:
    on = True

    def sometimes(question: bytes) -> list[bytes | float]:
        return list(meter()(question)) if on else []

    with plugged(tmp_path / "port", sometimes) as device:
        bus = opened(device)
        on = False
        with pytest.raises(BusError, match=r"the meter doesn't answer \*IDN\?"):
            list(bus.poll(["pins 1"]))
        bus.close()
        on = True
        bus = opened(device)
        assert list(bus.poll(["pins 1"])) == [megohms(1)]
        bus.close()


def test_another_meter_at_the_same_port_is_a_bus_error(tmp_path: Path) -> None:
    swapped = False

    def script(question: bytes) -> list[bytes | float]:
        if swapped:
            return [b"INVENTED,OTHER METER,0,1.0\n"] if question == b"*IDN?" else []
        return list(meter()(question))

    with plugged(tmp_path / "port", script) as device:
        bus = opened(device)
        swapped = True
        with pytest.raises(BusError, match=r"answers as 'INVENTED,OTHER METER,0,1\.0', expected"):
            list(bus.poll(["pins 1"]))
        bus.close()


@given(st.lists(st.binary(max_size=60), max_size=12))
def test_noise_ends_in_misses_or_a_bus_error_and_nothing_else(answers: list[bytes]) -> None:
    channels = {p: Channel(p, "Ohm", address) for p, address in PROBES.items()}
    # Before the first measurement: the empty line, *IDN?, *CLS.
    port = Recorded(b"", NAME + b"\n", b"", *answers)
    bus = Meter(port, channels=channels, query="MEAS:RES? (@{channel})", where="x")
    try:
        got = list(bus.poll(list(PROBES)))
    except BusError:
        return
    assert [item.probe for item in got] == list(PROBES)
