"""The firmware under MicroPython, asked by the shipped driver over a pty, measuring a circuit.

The circuit's parts are off their nominal values by as much as 1 % parts may be, so what is read is
compared with the uncertainty the wiring guide states, and never exactly.
"""

import random
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from drivers.ptys import settings
from frontend.guide import WIRING, allowed, blocks
from frontend.running import Bench
from longsoak.core.judge import OVERLOAD, gross_range
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.rig import Kind
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers import lines
from longsoak_drivers.lines import LineBus, decode
from processes import COMMAND

PAIRS = [f"P{number}" for number in range(1, 25)]
CHECKS = ["REF", "OPEN", "SHORT"]
# 1 and 3 in each decade from 1 kOhm to 1 GOhm, then to the most it can tell.
LADDER = [step * 10.0**decade for decade in range(3, 9) for step in (1, 3)] + [1e9, 2e9, 4e9]


@contextmanager
def asked(front_end: Bench, *, timeout: float = 10.0) -> Iterator[LineBus]:
    """The shipped driver on the front end's port, its probes named as on the wire."""
    names: dict[str, dict[str, object]] = {name: {"name": name} for name in [*PAIRS, *CHECKS]}
    bus = lines.open_bus(settings(names, port=front_end.port, timeout=timeout))
    try:
        yield bus
    finally:
        bus.close()


def values(bus: LineBus, *names: str) -> list[float]:
    """What the driver brings, all of it resistances."""
    found = []
    for got in bus.poll(names):
        assert isinstance(got, Sample), got
        assert got.unit == "Ohm"
        found.append(got.value)
    return found


def refused(bus: LineBus, name: str) -> str:
    """The word the front end has for not giving a value."""
    (got,) = bus.poll([name])
    assert isinstance(got, Missing), got
    assert got.why is Absence.REFUSED
    return got.detail.removeprefix(f"{name} reports ")


def emf(front_end: Bench, name: str) -> float:
    """The voltage a pair makes by itself, mV, as a person at a terminal asks for it."""
    front_end.say(f"?{name}.emf\n".encode())
    got = decode(front_end.heard(until=b"\n"), name=f"{name}.emf", probe=name)
    assert isinstance(got, Sample), got
    assert got.unit == "mV"
    return got.value


def test_resistances_are_read_within_the_uncertainty_the_guide_states(front_end: Bench) -> None:
    specimens = dict(zip(PAIRS, LADDER, strict=False))
    front_end.begin(specimens=specimens)
    with asked(front_end) as bus:
        for name, found in zip(specimens, values(bus, *specimens), strict=True):
            assert abs(found - specimens[name]) <= allowed(specimens[name]), (name, found)


def test_one_pair_at_a_time_is_energised_and_only_while_it_is_read(front_end: Bench) -> None:
    """The fixture looks at the circuit after every test; here at what it has seen."""
    front_end.begin(specimens={"P1": 1e6, "P24": 1e6})
    with asked(front_end) as bus:
        values(bus, "REF", "OPEN", "SHORT", "P1", "P24")
        seen = front_end.ask()
        assert sorted(seen["energised"]) == sorted(["REF", "OPEN", "SHORT", "P1", "P24"])
        # A megohm is at home on the range it is first looked at on: a quarter second each way.
        forward, backward, shorted = seen["energised"]["P24"]
        assert 0.2 < forward < 0.3
        assert 0.2 < backward < 0.3
        assert shorted == pytest.approx(0.02)  # before it is let go
        before = seen["energised"]
        assert front_end.ask(idle=3600.0)["energised"] == before
        assert front_end.ask()["energised"] == before


def test_a_front_end_that_is_asked_nothing_leaves_all_pairs_alone_for_hours(
    front_end: Bench,
) -> None:
    front_end.begin()
    front_end.ask(idle=7200.0)
    seen = front_end.ask()
    assert seen["now"] > 7199
    assert seen["energised"] == {}


@pytest.mark.parametrize("volts", [-0.4, 0.4])
def test_a_voltage_of_the_electrodes_own_cancels_and_is_told(
    front_end: Bench, volts: float
) -> None:
    specimens = {"P1": 30e3, "P2": 1e6, "P3": 50e6, "P4": 1e9}
    front_end.begin(specimens=specimens, emf=dict.fromkeys(specimens, volts))
    with asked(front_end) as bus:
        for name, found in zip(specimens, values(bus, *specimens), strict=True):
            assert abs(found - specimens[name]) <= allowed(specimens[name]), (name, found)
    assert emf(front_end, "P2") == pytest.approx(1000 * volts, rel=0.02)
    assert emf(front_end, "P3") == pytest.approx(1000 * volts, rel=0.02)


def test_offset_and_bias_of_the_amplifier_cancel_too(front_end: Bench) -> None:
    specimens = {"P1": 1e6, "P2": 100e6, "P3": 1e9}
    front_end.begin(specimens=specimens, offset=0.003, bias=100e-12)
    with asked(front_end) as bus:
        for name, found in zip(specimens, values(bus, *specimens), strict=True):
            assert abs(found - specimens[name]) <= allowed(specimens[name]), (name, found)


def test_electrodes_that_polarise_beyond_measure_are_refused_and_their_voltage_told(
    front_end: Bench,
) -> None:
    front_end.begin(specimens={"P1": 1e6}, emf={"P1": 1.3})
    with asked(front_end) as bus:
        assert refused(bus, "P1") == "'polarised'"
    assert emf(front_end, "P1") == pytest.approx(1300, rel=0.02)


def test_open_short_and_reference_are_recognised(front_end: Bench) -> None:
    front_end.begin()
    with asked(front_end) as bus:
        reference, opened, short, not_driven_in = values(bus, "REF", "OPEN", "SHORT", "P7")
    assert abs(reference - 1.002e6) <= allowed(1.002e6)
    assert opened >= OVERLOAD
    assert not_driven_in >= OVERLOAD
    assert abs(short) <= allowed(0.0)
    assert gross_range(opened, Kind.PINS) == (Flag.FAIL, Reason.OPEN_CIRCUIT)
    assert gross_range(short, Kind.PINS) == (Flag.SUSPECT, Reason.SHORT_CIRCUIT)


def test_every_scan_holds_the_check_channels_though_nobody_asks_for_them(front_end: Bench) -> None:
    front_end.begin(specimens={"P1": 1e6})
    with asked(front_end) as bus:
        values(bus, "P1")
        first = front_end.ask(anew=True)["energised"]
        values(bus, "P1")
        soon = front_end.ask(anew=True, idle=900.0)["energised"]
        values(bus, "P1")
        next_scan = front_end.ask()["energised"]
    assert set(first) == set(next_scan) == {"REF", "OPEN", "SHORT", "P1"}
    assert set(soon) == {"P1"}


def test_a_leak_of_the_front_end_refuses_only_what_it_spoils(front_end: Bench) -> None:
    front_end.begin(specimens={"P1": 1e6, "P2": 1e9}, leak=2e9)
    with asked(front_end) as bus:
        opened, fine = values(bus, "OPEN", "P1")
        # Half of it stands beside the pair: see the guide.
        assert opened == pytest.approx(2 * 2e9, rel=0.05)
        assert abs(fine - 1e6) <= allowed(1e6)
        assert refused(bus, "P2") == "'open channel'"


def test_a_reference_that_is_off_refuses_every_pair_but_not_itself(front_end: Bench) -> None:
    front_end.begin(specimens={"P1": 1e6, "REF": 1.1e6})
    with asked(front_end) as bus:
        assert values(bus, "REF") == [pytest.approx(1.1e6, rel=0.02)]
        assert refused(bus, "P1") == "'reference channel'"


def test_a_short_that_is_none_refuses_what_is_near_it(front_end: Bench) -> None:
    front_end.begin(specimens={"P1": 5e3, "P2": 1e6, "SHORT": 2e3})
    with asked(front_end) as bus:
        assert refused(bus, "P1") == "'short channel'"
        assert values(bus, "P2") == [pytest.approx(1e6, rel=0.02)]


@pytest.mark.parametrize(("ohm", "home"), [(12e3, 0), (12e6, 3)])
def test_a_range_on_which_the_converter_saturates_is_left_for_another(
    front_end: Bench, ohm: float, home: int
) -> None:
    # On the 1 MOhm range these leave 0.99 and, the other way, 0.92 of the supply at the converter.
    front_end.begin(specimens={"P1": ohm}, ceiling=0.9)
    with asked(front_end) as bus:
        (found,) = values(bus, "P1")
        # The last are the pair's, each range driven both ways; the checks went before.
        assert front_end.ask()["ranges"][-4:] == [2, 2, home, home]
    assert abs(found - ohm) <= allowed(ohm)


def test_a_converter_that_saturates_on_every_range_that_suits_is_no_value(
    front_end: Bench,
) -> None:
    front_end.begin(specimens={"P1": 3e6})
    with asked(front_end) as bus:
        values(bus, "P1")
        front_end.ask(set={"ceiling": 0.7})  # 0.75 and 0.77 on the two ranges around 3 MOhm
        assert refused(bus, "P1") == "'saturated'"


@pytest.mark.parametrize(
    ("ohm", "volts", "ceiling"),
    [
        # Its own range, 1 MOhm, has 0.70 of the supply at the converter; the next above 0.62.
        (3.0e6, -0.66, 0.69),
        # Its own range, 10 MOhm, has 0.90; the one it is first looked at on, 1 MOhm, 0.81.
        (3.3e6, 0.66, 0.85),
    ],
)
def test_a_saturated_range_gives_way_to_the_next_best(
    front_end: Bench, ohm: float, volts: float, ceiling: float
) -> None:
    front_end.begin(specimens={"P1": ohm}, emf={"P1": volts})
    with asked(front_end) as bus:
        values(bus, "P2")  # takes the check channels, while the converter is well
        front_end.ask(set={"ceiling": ceiling}, anew=True)
        (found,) = values(bus, "P1")
        assert front_end.ask()["ranges"] == [2, 2, 3, 3]
    assert abs(found - ohm) <= allowed(ohm)


def test_a_step_in_the_converters_scale_stays_within_the_uncertainty(front_end: Bench) -> None:
    specimens = {"P1": 30e3, "P2": 0.8e6, "P3": 300e6}
    front_end.begin(specimens=specimens, step=0.002)  # 8 counts of 4096
    with asked(front_end) as bus:
        for name, found in zip(specimens, values(bus, *specimens), strict=True):
            assert abs(found - specimens[name]) <= allowed(specimens[name]), (name, found)


@pytest.mark.parametrize(
    ("share", "why"),
    # Half the supply looks like a resistor as large as the range's: a good reference.
    [(0.0, "'reference channel'"), (0.5, "'open channel'"), (1.0, "'reference channel'")],
)
def test_a_converter_that_is_stuck_gives_no_pair_a_value(
    front_end: Bench, share: float, why: str
) -> None:
    front_end.begin(specimens={"P1": 1e6}, stuck=share)
    with asked(front_end) as bus:
        assert refused(bus, "P1") == why


def test_a_long_cable_is_waited_for_and_one_too_long_is_refused(front_end: Bench) -> None:
    front_end.begin(specimens={"P1": 1e9}, cable=2e-9)
    with asked(front_end) as bus:
        (found,) = values(bus, "P1")
        assert abs(found - 1e9) <= allowed(1e9)
        front_end.ask(set={"cable": 60e-9})
        assert refused(bus, "P1") == "'unsettled'"


@pytest.mark.parametrize("hertz", [50.0, 60.0])
def test_hum_of_the_mains_averages_out(front_end: Bench, hertz: float) -> None:
    front_end.begin(specimens={"P1": 100e6}, hum=60e-9, mains=hertz)  # 0.2 V of hum
    with asked(front_end) as bus:
        (found,) = values(bus, "P1")
    assert abs(found - 100e6) <= allowed(100e6)


def test_garbage_typed_at_it_is_answered_or_ignored_and_it_lives(front_end: Bench) -> None:
    front_end.begin()
    rng = random.Random(7)  # noqa: S311 - noise, and no secret
    front_end.say(b"?\n??\n?P1,1,Ohm*00\n\x00\x03\x04\xff\n?" + b"P" * 3000 + b"\n?\xb51\n")
    for _ in range(20):
        front_end.say(rng.randbytes(200).replace(b"?", b"!"))
    front_end.say(b"\n?nobody\r\n")
    heard = front_end.heard(until=b"\n")
    assert decode(heard, name="nobody", probe="x") == Missing(
        "x", Absence.REFUSED, "nobody reports 'no such name'"
    )
    with asked(front_end) as bus:
        (short,) = values(bus, "SHORT")
    assert abs(short) <= allowed(0.0)


def test_questions_with_either_line_end_are_answered_in_turn(front_end: Bench) -> None:
    front_end.begin()
    front_end.say(b"?a\r\n?b\n?c\r\n")
    heard = b""
    while heard.count(b"\n") < 3:
        heard += front_end.heard(until=b"\n")
    assert [line.split(b",")[0] for line in heard.splitlines()] == [b"a", b"b", b"c"]


def test_a_power_cut_amid_a_reading_is_one_miss_and_then_it_reads_again(front_end: Bench) -> None:
    front_end.begin(specimens={"P1": 1e6}, cut_after=40)
    with asked(front_end, timeout=1.5) as bus:
        (got,) = bus.poll(["P1"])
        assert isinstance(got, Missing)
        assert got.why is Absence.NO_ANSWER
        (found,) = values(bus, "P1")
    assert abs(found - 1e6) <= allowed(1e6)


def test_after_a_power_cycle_the_same_open_port_reads_on(front_end: Bench) -> None:
    front_end.begin()
    with asked(front_end) as bus:
        before = values(bus, "REF", "SHORT")
        front_end.begin()
        assert values(bus, "REF", "SHORT") == pytest.approx(before, rel=0.01, abs=5)


def test_wrong_settings_refuse_every_question(front_end: Bench) -> None:
    front_end.begin(settings="MOST = -1\n")
    with asked(front_end) as bus:
        assert refused(bus, "P1") == refused(bus, "REF") == "'settings'"


def test_the_prompt_pin_gives_the_board_back_and_lists_what_is_wrong(front_end: Bench) -> None:
    front_end.begin(settings="DRIVE = RETURN\nMOST = -1\n", grounded=True)
    heard = b""
    while heard.count(b"\n") < 3:
        heard += front_end.heard(until=b"\n")
    said = heard.decode().splitlines()
    assert said == [
        "The prompt pin is at ground, so nothing is measured.",
        "settings.py: MOST is -1, expected more than 0.",
        "settings.py: GPIO 13 is in DRIVE and RETURN, expected in one setting and there once.",
    ]
    front_end.begin()
    with asked(front_end) as bus:
        values(bus, "REF")


def test_the_walk_the_guide_recommends_proves_a_pair_with_a_known_resistor(
    front_end: Bench, tmp_path: Path
) -> None:
    """The shipped commands, the driver, the firmware and the circuit, and the guide's rig file."""
    front_end.begin(specimens={"P1": 1e6})
    (text,) = blocks(WIRING, "toml")
    rig = tmp_path / "rig.toml"
    rig.write_text(text.replace("/dev/serial/by-id/usb-pins", str(front_end.port)))
    chosen = ["--by", "mk", "--steps", "resistor", "--probe", "plain 20/60"]
    walk = subprocess.run(
        [COMMAND, "prove", rig, *chosen],
        input="\n1e6\n1\n",  # connected; its value in Ohm; its tolerance in %
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert walk.returncode == 0, walk.stdout + walk.stderr
    assert "good      plain 20/60, resistor: 99" in walk.stdout
