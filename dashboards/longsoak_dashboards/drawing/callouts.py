"""The layers' names above a section, stacked so that no line of one crosses another's lettering."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from longsoak.vocabulary.rig import Layer
from longsoak_dashboards.drawing.lettering import Box, width, wrap

SMALL = 12.3  # points: everything but values and titles
LINE = 15.0  # points from one line of lettering to the next
AWAY = 9.0  # points from a callout's line to its lettering
_LEAST = 24.0  # points of a name's room, where there is none
_FIRST, _BETWEEN = 7.0, 7.0  # points from the left end to the first line, from one to the next
_AMPLE = 60.0  # points in which a name may be broken inside a word rather than turn round


@dataclass(frozen=True, slots=True)
class Callout:
    """A layer's name above the section, and the line that leads from it to the layer.

    The name stands right of the line at `x`, or left of it if `leftwards`; `y` is the base line of
    its first line.
    """

    lines: tuple[str, ...]
    thickness: float
    x: float
    y: float
    leftwards: bool

    def raised(self, by: float) -> "Callout":
        """The same, so many mm further up."""
        return replace(self, y=self.y - by)


def place_callouts(
    layers: Sequence[Layer], depths: Sequence[float], *, point: float, left: float, right: float
) -> tuple[tuple[Callout, ...], float]:
    """Callouts in the order of `layers`, and how far above the section they reach.

    Names stand right of their lines, leftmost on top. Where the sheet ends too soon for that, a
    name stands left of its line, above all those, rightmost on top; none may then reach over its
    line.

    Parameters
    ----------
    layers : sequence of Layer
        From the wet face.
    depths : sequence of float
        Where ticks stand at the top, mm; lines keep clear of them.
    point : float
        One point of lettering in mm.
    left, right : float
        Where the sheet ends, mm.
    """
    xs, face = [], 0.0
    for layer in layers:
        half = layer.thickness / 2
        xs.append(_clear_of(depths, face + half, half, point=point))
        face += layer.thickness
    return _stacked(layers, xs, point=point, left=left, right=right)


def beside(
    layers: Sequence[Layer], *, point: float, left: float, right: float
) -> tuple[tuple[Callout, ...], float]:
    """The same for layers that lie above each other: their lines go down at the left end."""
    xs = [(_FIRST + _BETWEEN * i) * point for i in range(len(layers))]
    return _stacked(layers, xs, point=point, left=left, right=right)


def _stacked(
    layers: Sequence[Layer], xs: Sequence[float], *, point: float, left: float, right: float
) -> tuple[tuple[Callout, ...], float]:
    stack: list[tuple[int, tuple[str, ...], bool]] = []
    above: list[tuple[int, tuple[str, ...], bool]] = []
    end = right
    for i in range(len(layers) - 1, -1, -1):
        name, x = layers[i].name, xs[i]
        longest = max(width(word, size=SMALL) for word in name.split() or [""])
        figure = width(_figure(layers[i].thickness), size=SMALL)
        room, other = ((span / point - AWAY - figure) for span in (end - x, x - left))
        leftwards = min(longest, _AMPLE) > room and other > room
        lines = wrap(name, size=SMALL, room=max(other if leftwards else room, _LEAST))
        if leftwards:
            above.insert(0, (i, lines, True))
            end = x - 4 * point
        else:
            stack.append((i, lines, False))
    placed: dict[int, Callout] = {}
    y = 10.0
    for i, lines, leftwards in (*stack, *above):
        y += LINE * len(lines)
        top = -(y - LINE * 0.72) * point
        placed[i] = Callout(lines, layers[i].thickness, xs[i], top, leftwards)
    return tuple(placed[i] for i in range(len(layers))), (y + 4) * point


def lettering(callout: Callout, *, point: float) -> Box:
    """What a callout's name and thickness take."""
    wide = max(width(line, size=SMALL) for line in callout.lines)
    last = width(callout.lines[-1], size=SMALL) + width(_figure(callout.thickness), size=SMALL)
    reach = (AWAY + max(wide, last)) * point
    near, far = callout.x + AWAY * point, callout.x + reach
    if callout.leftwards:
        near, far = callout.x - reach, callout.x - AWAY * point
    bottom = callout.y + (LINE * (len(callout.lines) - 1) + 3) * point
    return Box(near, callout.y - 0.8 * SMALL * point, far, bottom)


def _figure(thickness: float) -> str:
    return f"  {thickness:g}"


def _clear_of(depths: Sequence[float], middle: float, half: float, *, point: float) -> float:
    """A place near the middle of a layer for its callout, away from the ticks of the depths."""
    for away in (0, 7, -7, 12, -12):
        x = middle + away * point
        if abs(away) * point < half and all(abs(x - depth) > 5 * point for depth in depths):
            return x
    return middle
