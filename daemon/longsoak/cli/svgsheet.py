"""The few parts the drawings of the command line share: plain SVG, nothing to load from elsewhere.

Colours are those of the pages' light paper: ink is measured, pencil declared, red wants a look.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

from longsoak.core.wording import ohm_words

PAPER, RULE, INK, LETTERING, PENCIL, RED, BAND = (
    "#f6f9f4", "#d0d4cc", "#1d283b", "#4b5666", "#185a95", "#aa2523", "#185a9522",
)  # fmt: skip
FONT = "DIN Alternate,Bahnschrift,Avenir Next,Roboto Condensed,Noto Sans,system-ui,sans-serif"
LEFT, RIGHT = 64.0, 700.0


@dataclass(frozen=True, slots=True)
class Axis:
    """Where a value lies on the sheet."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """The place of a value, in the sheet's units."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + share * (self.end - self.start)

    def ticks(self) -> list[float]:
        """Round values on it, four to ten."""
        rough = (self.high - self.low) / 6.0
        power = 10.0 ** math.floor(math.log10(rough))
        step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= rough)
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return [n * step for n in range(first, last + 1)]


def ohms(value: float) -> str:
    """A resistance with its unit: "21 kΩ", "160 MΩ", "230 GΩ"."""
    words = f"{value / 1e9:.4g} G" if value > 1e11 else ohm_words(value)
    return f"{words}Ω" if words[-1].isalpha() else f"{words} Ω"


def scale(axis: Axis, words: Callable[[float], str]) -> list[str]:
    """Rules across the sheet with their values to the left."""
    parts = []
    for value in axis.ticks():
        parts.append(line(LEFT, axis(value), RIGHT, axis(value), RULE, 0.8))
        parts.append(
            text_at(LEFT - 8, axis(value) + 4, words(round(value, 9)), anchor="end", fill=LETTERING)
        )
    return parts


def decades(axis: Axis, *, foot: float, title: str = "") -> list[str]:
    """The axis of resistances along the foot, its log10 in Ohm on `axis`, with its title below."""
    parts = [line(LEFT, foot, RIGHT, foot, INK, 0.8)]
    whole = [float(n) for n in range(math.ceil(axis.low), math.floor(axis.high) + 1)]
    for value in whole if len(whole) > 1 else axis.ticks():
        parts.append(line(axis(value), foot, axis(value), foot + 6, INK, 0.8))
        label = ohms(10.0**value)
        parts.append(text_at(axis(value), foot + 20, label, anchor="middle", fill=LETTERING))
    if title:
        parts.append(text_at(RIGHT, foot + 42, title, anchor="end", fill=LETTERING))
    return parts


def path(points: Sequence[tuple[float, float]]) -> str:
    """The points as the data of an open path."""
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def line(x1: float, y1: float, x2: float, y2: float, stroke: str, weight: float) -> str:
    """A straight line."""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{stroke}" '
        f'stroke-width="{weight:g}"/>'
    )


def text_at(
    x: float,
    y: float,
    text: str,
    *,
    anchor: str = "start",
    fill: str = INK,
    size: int = 12,
    weight: int = 400,
    halo: bool = False,
) -> str:
    """Text at a place; with a `halo` of paper it can stand on a line."""
    around = f'stroke="{PAPER}" stroke-width="5" paint-order="stroke" ' if halo else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{fill}" {around}'
        f'font-size="{size}" font-weight="{weight}">{escape(text)}</text>'
    )
