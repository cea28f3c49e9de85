"""Drawings of curves: both axes say what they are, and a line's temperature stands on that line."""

import re
from dataclasses import replace
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from longsoak.cli.curveplot import curve_plot
from longsoak.rigfile.curves import shipped
from longsoak.vocabulary.curve import Correction, Curve

SVG = "{http://www.w3.org/2000/svg}"


def drawn(curve: Curve) -> ElementTree.Element:
    return ElementTree.fromstring(curve_plot(curve))  # noqa: S314 - our own


def points(path: ElementTree.Element) -> list[tuple[float, float]]:
    found = re.findall(r"([-\d.]+) ([-\d.]+)", path.get("d", ""))
    return [(float(x), float(y)) for x, y in found]


def lettering(root: ElementTree.Element) -> dict[str, ElementTree.Element]:
    return {text.text or "": text for text in root.iter(f"{SVG}text")}


@pytest.mark.parametrize("name", list(shipped()))
def test_both_axes_are_named(name: str) -> None:
    root = drawn(shipped()[name])
    words = lettering(root)
    assert any(said.startswith("Moisture, % of the oven-dry mass") for said in words)
    title = words["Resistance"]
    feet = [float(t.get("y", "0")) for said, t in words.items() if said.endswith("Ω")]
    assert max(feet) + 12 <= float(title.get("y", "0")) <= float(root.get("height", "0")) - 6


def check_labels(curve: Curve) -> None:
    root = drawn(curve)
    words = lettering(root)
    (middle,) = [points(e) for e in root.iter() if e.get("class") == "curve"]
    others = [points(e) for e in root.iter() if e.get("class") == "other"]
    warm = f"{curve.reference_temperature:g} °C"
    lines = dict(zip((warm, "5 °C", "35 °C"), (middle, *others), strict=True))
    # Half of a capital's height above the base line is the middle of a label.
    at = {label: float(words[label].get("y", "0")) - 4 for label in lines}
    for label, line in lines.items():
        end_x, end_y = line[-1]
        assert 3 < float(words[label].get("x", "0")) - end_x < 10  # right behind its line
        assert abs(at[label] - end_y) < 14
    by_label = sorted(at, key=at.__getitem__)
    assert by_label == sorted(lines, key=lambda label: lines[label][-1][1])
    assert all(at[low] - at[high] > 11 for high, low in pairwise(by_label))


@pytest.mark.parametrize("name", list(shipped()))
def test_each_temperature_stands_behind_its_own_line(name: str) -> None:
    check_labels(shipped()[name])


@pytest.mark.parametrize("temperature", [5.5, 20.0, 34.0])
def test_lines_that_all_but_meet_still_carry_their_temperatures(temperature: float) -> None:
    check_labels(replace(shipped()["Douglas-fir (coast)"], reference_temperature=temperature))


def test_a_curve_for_one_temperature_alone_names_it() -> None:
    words = lettering(drawn(replace(shipped()["Douglas-fir (coast)"], correction=Correction.NONE)))
    assert [said for said in words if said.endswith("°C") and "," not in said] == ["26.7 °C"]
