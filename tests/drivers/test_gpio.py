"""GPIO lines. No chip is here, so the library's request is faked: the driver above it is real."""

import gc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import gpiod
import pytest
from gpiod.edge_event import EdgeEvent
from gpiod.line import Bias, Edge, Value
from hypothesis import given
from hypothesis import strategies as st

from drivers.heldlines import RISING, Held
from drivers.ptys import settings
from longsoak.driver import Switch
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers import gpio
from longsoak_drivers.gpio import LastEdge, Lines, find_chip, frequency

RIG: dict[str, dict[str, object]] = {
    "high float": {"line": 17, "active": "low", "bias": "pull up"},
    "pump flow": {"line": "FLOW", "pulses": True},
}


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch) -> Callable[[], Held]:
    found: list[Held] = []

    def request_lines(
        path: str, config: dict[int | str, gpiod.LineSettings], **rest: object
    ) -> Held:
        assert (path, rest["consumer"]) == ("/dev/gpiochip0", "longsoak")
        found.append(Held(config))
        return found[-1]

    monkeypatch.setattr(gpiod, "request_lines", request_lines)
    return lambda: found[-1]


def opened(channels: dict[str, dict[str, object]] = RIG) -> Lines:
    return gpio.open_bus(settings(channels, chip="/dev/gpiochip0", debounce=0.2))


def only(bus: Lines, probe: str) -> Sample | Missing:
    (got,) = bus.poll([probe])
    return got


def hertz(bus: Lines) -> float:
    got = only(bus, "pump flow")
    assert isinstance(got, Sample)
    assert got.unit == "Hz"
    return got.value


def test_lines_are_asked_for_as_the_rig_file_says(held: Callable[[], Held]) -> None:
    bus = opened()
    switch, meter = held().config[17], held().config["FLOW"]
    assert (switch.active_low, switch.bias, switch.edge_detection) == (
        True,
        Bias.PULL_UP,
        Edge.BOTH,
    )
    assert switch.debounce_period.total_seconds() == 0.2
    # A debounced pulse is a pulse lost.
    assert (meter.active_low, meter.edge_detection) == (False, Edge.RISING)
    assert meter.debounce_period.total_seconds() == 0
    assert bus.describe() == "2 lines of /dev/gpiochip0"
    bus.close()
    bus.close()
    assert held().released == 2  # which the library allows


def test_a_float_is_read_as_it_stands(held: Callable[[], Held]) -> None:
    bus = opened()
    assert only(bus, "high float") == Sample("high float", 0.0, "1")
    held().values[17] = Value.ACTIVE
    held().edge(17, at=5.0)
    assert only(bus, "high float") == Sample("high float", 1.0, "1")
    assert only(bus, "high float") == Sample("high float", 1.0, "1")


def test_a_float_that_bounces_says_so_until_it_is_still(held: Callable[[], Held]) -> None:
    bus = opened()
    for n in range(15):
        held().edge(17, at=5 + n / 20, rising=n % 2 == 0, dropped=2)
    got = only(bus, "high float")
    assert isinstance(got, Missing)
    assert got.why is Absence.UNREADABLE
    assert got.detail.startswith("it changed 45 times since it was looked at last")
    for n in range(10):
        held().edge(17, at=7 + n, rising=n % 2 == 0)
    assert only(bus, "high float") == Sample("high float", 0.0, "1")


def test_a_flow_meter_is_a_frequency_whatever_the_polls(held: Callable[[], Held]) -> None:
    bus = opened()
    assert only(bus, "pump flow") == Sample("pump flow", 0.0, "Hz")
    held().edge(22, at=10.0)
    first = only(bus, "pump flow")
    assert isinstance(first, Missing)
    assert first.detail == "a first pulse came; a rate takes two"
    for n in range(1, 40):
        held().edge(22, at=10 + n / 25)
    assert hertz(bus) == pytest.approx(25.0)
    held().edge(22, at=10 + 100 / 25, dropped=60)  # the kernel's buffer was full meanwhile
    assert hertz(bus) == pytest.approx(25.0)
    assert only(bus, "pump flow") == Sample("pump flow", 0.0, "Hz")
    # Started anew an hour later: the hour it stood still does not count.
    for n in range(3):
        held().edge(22, at=3600 + n / 10)
    assert hertz(bus) == pytest.approx(10.0)


def changes(bus: Lines, held: Held, *values: Value) -> float:
    """What the float is while the line shows these values, look by look."""
    held.next_values = list(values)
    got = only(bus, "high float")
    assert isinstance(got, Sample)
    assert not held.next_values, "the line was not looked at so often"
    return got.value


@pytest.mark.parametrize("has_edges", [True, False])
def test_where_the_chip_can_not_debounce_the_driver_looks_again(
    held: Callable[[], Held], monkeypatch: pytest.MonkeyPatch, has_edges: bool
) -> None:
    monkeypatch.setattr(Held, "debounces", False)
    monkeypatch.setattr(Held, "has_edges", has_edges)
    bus = opened({"high float": RIG["high float"]})
    line = held().config[17]
    assert not line.debounce_period
    assert line.edge_detection is (Edge.BOTH if has_edges else Edge.NONE)
    assert bus.describe() == "1 line of /dev/gpiochip0" + ("" if has_edges else ", without edges")
    on, off = Value.ACTIVE, Value.INACTIVE
    assert changes(bus, held(), on) == 1.0  # the first look is what there is
    assert changes(bus, held(), on) == 1.0
    assert changes(bus, held(), off, on) == 1.0  # it bounced
    assert changes(bus, held(), off, off) == 0.0
    assert changes(bus, held(), off) == 0.0


def test_a_line_that_changed_twice_while_it_was_looked_at_has_not_settled(
    held: Callable[[], Held], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Held, "debounces", False)
    bus = opened()
    assert changes(bus, held(), Value.INACTIVE) == 0.0
    looks = 0

    def get_value(line: int | str) -> Value:
        nonlocal looks
        looks += 1
        if looks == 2:  # off and on again between the two looks
            held().edge(17, at=5.0, rising=False)
            held().edge(17, at=5.1)
        return Value.ACTIVE

    monkeypatch.setattr(held(), "get_value", get_value)
    assert only(bus, "high float") == Sample("high float", 0.0, "1")
    assert only(bus, "high float") == Sample("high float", 1.0, "1")


def test_a_flow_meter_on_a_chip_without_edges_is_refused(
    held: Callable[[], Held], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Held, "has_edges", False)
    with pytest.raises(BusError, match=r"no edges, so pulses can't be counted .* interrupt wire"):
        opened()


def test_one_lines_edges_do_not_count_for_another(held: Callable[[], Held]) -> None:
    bus = opened()
    for n in range(50):
        held().edge(22, at=n / 25)
    assert only(bus, "high float") == Sample("high float", 0.0, "1")
    assert hertz(bus) == pytest.approx(25.0)


def test_a_meter_that_is_read_seldom_does_not_fill_the_memory(held: Callable[[], Held]) -> None:
    bus = opened()
    for n in range(3000):
        held().edge(22, at=n / 25)
        if n % 10 == 0:
            only(bus, "high float")
    only(bus, "high float")
    assert sum(isinstance(found, EdgeEvent) for found in gc.get_objects()) < 100
    assert hertz(bus) == pytest.approx(25.0)


@given(st.floats(0.01, 1e4), st.integers(2, 50), st.booleans())
def test_the_frequency_is_pulses_over_time(hertz: float, number: int, known: bool) -> None:
    edges = [
        EdgeEvent(RISING, 10**12 + round(n * 1e9 / hertz), 0, n + 8, n + 8) for n in range(number)
    ]
    before = LastEdge(7, 10**12 - round(1e9 / hertz)) if known else None
    assert frequency(edges, before) == pytest.approx(hertz, rel=1e-3)


def test_a_chip_that_is_gone_is_a_bus_error(held: Callable[[], Held]) -> None:
    bus = opened()
    held().gone = True
    with pytest.raises(BusError, match=r"gpiochip0: reading it failed \(No such device\)"):
        only(bus, "high float")
    bus.close()


@pytest.mark.parametrize(
    # The library makes these of EINVAL and EOPNOTSUPP (gpiod 2.5, common.c, read).
    "error",
    [ValueError(22, "Invalid argument"), NotImplementedError(95, "Operation not supported")],
)
def test_a_read_the_chip_refuses_is_a_bus_error_whatever_the_library_makes_of_it(
    held: Callable[[], Held], monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    bus = opened()

    def refuse(line: int | str) -> Value:
        raise error

    monkeypatch.setattr(held(), "get_value", refuse)
    with pytest.raises(BusError, match=f"reading it failed .{error.args[1]}"):
        only(bus, "high float")


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (OSError(16, "Device or resource busy"), "can't be taken .* Another program may hold one"),
        (PermissionError(13, "Permission denied"), "this user may not use it. Add the user"),
        (
            FileNotFoundError(2, "No such file"),
            "there is no such chip, or it has no lines 17, FLOW",
        ),
        (NotImplementedError(95, "Not supported"), r"FLOW can't be taken \(Not supported\)"),
        (ValueError(22, "Invalid argument"), r"lines 17, FLOW can't be taken \(Invalid argument\)"),
    ],
)
def test_lines_that_can_not_be_had_are_told_in_a_sentence(
    monkeypatch: pytest.MonkeyPatch, error: Exception, says: str
) -> None:
    def refuse(*args: object, **rest: object) -> None:
        raise error

    monkeypatch.setattr(gpiod, "request_lines", refuse)
    with pytest.raises(BusError, match=says):
        opened()


def test_on_a_machine_without_chips_the_real_library_is_told_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(BusError, match=r"nowhere: there is no such chip"):
        gpio.open_bus(settings(RIG, chip=str(tmp_path / "nowhere")))
    with pytest.raises(BusError, match="no GPIO chip has the label 'pinctrl'; there are: none"):
        find_chip("pinctrl", devices=tmp_path)


def test_a_press_between_two_looks_is_told_at_the_next(held: Callable[[], Held]) -> None:
    bus = opened({"service": {"line": 17, "active": "low", "bias": "pull up", "press": True}})
    assert held().config[17].debounce_period.total_seconds() == 0.05
    assert only(bus, "service") == Sample("service", 0.0, "1")
    held().edge(17, at=5.0)
    held().edge(17, at=5.1, rising=False)
    assert only(bus, "service") == Sample("service", 1.0, "1")
    assert only(bus, "service") == Sample("service", 0.0, "1")


SWITCHES = (
    Switch("lamp", {"line": 22}),
    Switch("fill valve", {"line": "VALVE", "active": "low"}),
)


def test_outputs_are_off_when_taken_switched_by_name_and_off_before_they_are_let_go(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    taken: list[Held] = []

    def request_lines(_path: str, config: dict[int | str, gpiod.LineSettings], **_: object) -> Held:
        taken.append(Held(config))
        return taken[-1]

    monkeypatch.setattr(gpiod, "request_lines", request_lines)
    plain = settings(RIG, chip="/dev/gpiochip0", debounce=0.2)
    bus = gpio.open_bus(replace(plain, switches=SWITCHES))
    inputs, outputs = taken
    assert set(inputs.config) == {17, "FLOW"}
    assert {line.output_value for line in outputs.config.values()} == {Value.INACTIVE}
    assert outputs.config["VALVE"].active_low
    bus.switch("fill valve", on=True)
    assert outputs.values == {22: Value.INACTIVE, "VALVE": Value.ACTIVE}
    bus.close()
    assert outputs.values == {22: Value.INACTIVE, "VALVE": Value.INACTIVE}
    assert (inputs.released, outputs.released) == (1, 1)
    bus.close()
    again = gpio.open_bus(replace(plain, switches=SWITCHES))
    taken[-1].gone = True
    with pytest.raises(BusError, match="lamp could not be switched"):
        again.switch("lamp", on=True)


def test_lines_of_outputs_that_somebody_holds_leave_no_probe_held(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    taken: list[Held] = []

    def request_lines(_path: str, config: dict[int | str, gpiod.LineSettings], **_: object) -> Held:
        if 22 in config:
            raise OSError(16, "Device or resource busy")
        taken.append(Held(config))
        return taken[-1]

    monkeypatch.setattr(gpiod, "request_lines", request_lines)
    with pytest.raises(BusError, match="lamp, fill valve can't be taken as outputs"):
        gpio.open_bus(
            replace(settings(RIG, chip="/dev/gpiochip0", debounce=0.2), switches=SWITCHES)
        )
    assert taken[0].released == 1
