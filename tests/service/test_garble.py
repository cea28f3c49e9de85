"""When a serial bus as a whole is told garbled, and when its probes alone are."""

import pytest

from longsoak.driver import BusKind
from longsoak.service.garble import Garble
from longsoak.vocabulary.rig import Bus
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers import lines, modbus, onewire

SOUND = Sample("a", 1.0, "Cel")


def noted(*items: Sample | Missing, kind: BusKind = modbus, **options: object) -> str | None:
    garble = Garble(Bus("bus", "any", {"port": "x", **options}), ["a", "b"], kind=kind)
    for item in items:
        garble.note(item)
    return garble.says


def bad(probe: str, why: Absence = Absence.BAD_CHECKSUM) -> Missing:
    return Missing(probe, why, "")


ALL_BAD = [bad("a"), bad("b")] * 3


def test_what_both_ends_must_agree_on_is_named_as_the_rig_file_has_it() -> None:
    says = noted(*ALL_BAD, baud=1200, parity="E")
    assert says is not None
    assert "baud = 1200, parity = E, stopbits = 1 is what" in says
    assert "baud = 115200 is what" in (noted(*ALL_BAD, kind=lines) or "")


@pytest.mark.parametrize(
    "items",
    [
        pytest.param([bad("a"), bad("b")] * 2, id="too few"),
        pytest.param([*[bad("a")] * 9, bad("b")], id="one probe asked once only"),
        pytest.param([bad("a")] * 9, id="the other not asked"),
        pytest.param([*ALL_BAD[:4], SOUND, bad("a"), bad("b")], id="one sound answer"),
        pytest.param([*ALL_BAD, bad("b", Absence.UNREADABLE)], id="whole, but no number"),
        pytest.param([*ALL_BAD, bad("b", Absence.REFUSED)], id="an error of the device's own"),
        pytest.param([bad("a", Absence.NO_ANSWER), bad("b", Absence.NO_ANSWER)] * 9, id="silence"),
    ],
)
def test_less_than_garble_from_everybody_is_told_by_the_probes_alone(
    items: list[Sample | Missing],
) -> None:
    assert noted(*items) is None


def test_a_silent_device_beside_garbled_ones_does_not_hide_them() -> None:
    assert noted(*[bad("a"), bad("b", Absence.NO_ANSWER)] * 5) is not None


def test_a_bus_without_a_speed_has_none_to_get_wrong() -> None:
    assert noted(*ALL_BAD, kind=onewire) is None
    assert noted(*ALL_BAD, port=None, tcp="192.168.1.20:502") is None
