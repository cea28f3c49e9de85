"""The pens, water and paper: their contrast, and whether they stay apart to the colour-blind."""

import math
import re
from itertools import combinations

import pytest

from longsoak_dashboards.sheets import HERE

CSS = (HERE / "static" / "tokens.css").read_text()
Colour = tuple[float, float, float]

# Viénot, Brettel and Mollon 1999, as a matrix on linear sRGB; from memory.
PROTAN = ((0.11238, 0.88762, 0.0), (0.11238, 0.88762, 0.0), (0.00401, -0.00401, 1.0))
DEUTAN = ((0.29275, 0.70725, 0.0), (0.29275, 0.70725, 0.0), (-0.02234, 0.02234, 1.0))


def tokens(block: str) -> dict[str, Colour]:
    """The colours of one paper, linear sRGB."""
    found = re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6})", block)
    return {name: linear(hexed) for name, hexed in found}


def linear(hexed: str) -> Colour:
    red, green, blue = (int(hexed[at : at + 2], 16) / 255 for at in (1, 3, 5))
    return straight(red), straight(green), straight(blue)


def straight(share: float) -> float:
    return share / 12.92 if share <= 0.04045 else math.pow((share + 0.055) / 1.055, 2.4)


def luminance(colour: Colour) -> float:
    return 0.2126 * colour[0] + 0.7152 * colour[1] + 0.0722 * colour[2]


def contrast(one: Colour, other: Colour) -> float:
    """WCAG 2.2, contrast ratio (definition from memory)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def seen(colour: Colour, matrix: tuple[Colour, Colour, Colour]) -> Colour:
    red, green, blue = (
        min(1.0, max(0.0, sum(a * b for a, b in zip(row, colour, strict=True)))) for row in matrix
    )
    return red, green, blue


def apart(one: Colour, other: Colour) -> float:
    """The largest difference of a channel, of 1, as a screen shows it."""
    pairs = zip(one, other, strict=True)
    return max(abs(math.pow(a, 1 / 2.4) - math.pow(b, 1 / 2.4)) for a, b in pairs)


DAY = tokens(CSS[: CSS.index("@media (prefers-color-scheme")])
NIGHT = tokens(CSS[CSS.index(':root[data-theme="dark"]') : CSS.index("*, ::before")])
BY_PAPER = pytest.mark.parametrize("paper", [DAY, NIGHT], ids=["day", "night"])


def test_night_by_the_readers_setting_is_the_night_that_is_asked_for() -> None:
    start = CSS.index("@media (prefers-color-scheme")
    assert tokens(CSS[start : CSS.index(':root[data-theme="dark"]')]) == NIGHT


@BY_PAPER
def test_lettering_and_outlines_stand_out_on_every_ground(paper: dict[str, Colour]) -> None:
    for ground in ("paper", "paper-2"):
        for pen in ("ink", "ink-2", "pencil", "red"):  # 1.4.3
            assert contrast(paper[pen], paper[ground]) >= 4.5, (pen, ground)
        for line in ("edge", "waterline"):  # 1.4.11
            assert contrast(paper[line], paper[ground]) >= 3, (line, ground)
    assert contrast(paper["ink"], paper["water"]) >= 4.5
    assert contrast(paper["waterline"], paper["water"]) >= 3


@BY_PAPER
@pytest.mark.parametrize("matrix", [PROTAN, DEUTAN], ids=["protan", "deutan"])
def test_pens_stay_apart_to_the_colour_blind(
    paper: dict[str, Colour], matrix: tuple[Colour, Colour, Colour]
) -> None:
    for one, other in combinations(("ink", "pencil", "red", "water"), 2):
        there = apart(seen(paper[one], matrix), seen(paper[other], matrix))
        # 25 of 255. Ink and red come nearest, by day to the protan: red stands with a word and a
        # shape wherever it stands, and is bold.
        assert there >= 0.1, (one, other, there)


def test_states_differ_by_shape_and_not_by_colour_alone() -> None:
    """Each flag and each alarm state is drawn as a path of its own."""
    names = ("sheet.html.j2", "shapes.html.j2")
    html = "".join((HERE / "templates" / name).read_text() for name in names)
    drawn = re.findall(r'<g id="([mp][^"]+)"[^>]*>(.*?)</g>', html)
    shapes = {name: shape for name, shape in drawn if name not in ("m0", "m9")}
    assert len(shapes) >= 12
    assert len(set(shapes.values())) == len(shapes)
