"""The wash's colours: even steps, told apart by everybody and in grey, and words on them read."""

import re
from itertools import combinations, pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

import longsoak_dashboards

TOKENS = Path(longsoak_dashboards.__file__).parent / "static" / "tokens.css"
Colour = npt.NDArray[np.float64]

# Machado, Oliveira and Fernandes 2009, severity 1.0, on linear sRGB. Second hand: as they stand in
# EmilHvitfeldt/prismatic, R/color-blindness.R (read).
SEEN = {
    "by most": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritanopia": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
    "in grey": np.tile([0.2126, 0.7152, 0.0722], (3, 1)),  # luminance of sRGB, IEC 61966-2-1
}
# Ottosson 2020, Oklab: coefficients from memory, checked against the triplets in tokens.css.
TO_CONES = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)


def tokens(paper: str) -> dict[str, str]:
    text = TOKENS.read_text(encoding="utf-8")
    day = text.partition("@media (prefers-color-scheme: dark)")[0]
    night = text.partition(':root[data-theme="dark"] {')[2].partition("}")[0]
    found = re.findall(r"--([\w-]+): (#[0-9a-f]{6})", day if paper == "day" else night)
    return dict(found)


def linear(colour: str) -> Colour:
    coded = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def lab(seen: Colour) -> Colour:
    found: Colour = TO_LAB @ np.cbrt(TO_CONES @ np.clip(seen, 0, 1))
    return found


def contrast(one: str, other: str) -> float:
    """WCAG 2, from memory: the ratio of relative luminances, each raised by 0.05."""
    low, high = sorted(float(np.array([0.2126, 0.7152, 0.0722]) @ linear(c)) for c in (one, other))
    return (high + 0.05) / (low + 0.05)


def wash(paper: str) -> list[str]:
    known = tokens(paper)
    return [known[f"w{k}"] for k in range(7)]


@pytest.mark.parametrize("paper", ["day", "night"])
def test_ink_can_be_read_on_every_step(paper: str) -> None:
    ink = tokens(paper)["ink"]
    assert min(contrast(ink, step) for step in wash(paper)) >= 4.5


@pytest.mark.parametrize("paper", ["day", "night"])
def test_pencil_and_red_are_edged_with_paper_on_which_they_can_be_read(paper: str) -> None:
    known = tokens(paper)
    assert min(contrast(known[pen], known["paper"]) for pen in ("pencil", "red", "ink")) >= 4.5


@pytest.mark.parametrize("paper", ["day", "night"])
@pytest.mark.parametrize("eye", SEEN)
def test_steps_go_one_way_and_are_told_apart(paper: str, eye: str) -> None:
    colours = [lab(SEEN[eye] @ linear(step)) for step in wash(paper)]
    lightness = [float(colour[0]) for colour in colours]
    way = -1 if paper == "day" else 1  # wetter is further from the paper
    assert all(way * (b - a) > 0.02 for a, b in pairwise(lightness)), lightness
    apart = min(float(np.linalg.norm(a - b)) for a, b in combinations(colours, 2))
    assert apart >= 0.025  # more than twice what is just seen in Oklab, by eye


@pytest.mark.parametrize("paper", ["day", "night"])
def test_steps_of_lightness_are_even(paper: str) -> None:
    lightness = [float(lab(linear(step))[0]) for step in wash(paper)]
    steps = [b - a for a, b in pairwise(lightness)]
    assert max(steps) - min(steps) < 0.004


def test_by_night_no_step_is_brown() -> None:
    for step in wash("night"):
        red, green, blue = linear(step)
        assert red < green < blue, step


def test_both_ways_to_ask_for_the_night_give_the_same() -> None:
    text = TOKENS.read_text(encoding="utf-8")
    asked = re.findall(r"--w\d: #[0-9a-f]{6}", text.partition("dark)")[2].partition("}")[0])
    assert [each.partition(": ")[2] for each in asked] == wash("night")
