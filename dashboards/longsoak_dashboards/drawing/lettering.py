"""How much room lettering takes, and where it can go without covering other lettering."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from math import hypot

# Advance widths in em of a wide-running condensed face (DejaVu Sans Condensed), by eye rounded up;
# the faces named before it in the style sheet run narrower.
_NARROW = frozenset("iljtfI|.,:;'!()[] /-")
_WIDE = frozenset("mwMW%@ΩGOQ")
_BOLD = 1.1


def width(text: str, *, size: float, bold: bool = False) -> float:
    """Estimated width of one line of lettering, in the unit of `size`."""
    ems = sum(0.36 if c in _NARROW else 0.88 if c in _WIDE else 0.60 for c in text)
    return ems * size * (_BOLD if bold else 1.0)


def wrap(text: str, *, size: float, room: float) -> tuple[str, ...]:
    """`text` in lines no wider than `room`, broken at spaces, inside a word only if it must be."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if width(longer, size=size) <= room:
            line = longer
            continue
        if line:
            lines.append(line)
        line = word
        while width(line, size=size) > room and len(line) > 1:
            fits = max(
                (n for n in range(1, len(line)) if width(line[:n], size=size) <= room), default=1
            )
            lines.append(line[:fits])
            line = line[fits:]
    return (*lines, line)


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle; y grows downwards."""

    left: float
    top: float
    right: float
    bottom: float

    def moved(self, dx: float, dy: float) -> "Box":
        """The same box elsewhere."""
        return Box(self.left + dx, self.top + dy, self.right + dx, self.bottom + dy)

    def meets(self, other: "Box") -> bool:
        """Whether the two share any area."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )

    def within(self, outer: "Box") -> bool:
        """Whether it lies inside `outer`, edges included."""
        return (
            self.left >= outer.left
            and self.right <= outer.right
            and self.top >= outer.top
            and self.bottom <= outer.bottom
        )

    def nearest(self, x: float, y: float) -> tuple[float, float]:
        """The point of the box that is nearest to (x, y)."""
        return min(max(x, self.left), self.right), min(max(y, self.top), self.bottom)


class Board:
    """A drawing's area in which boxes are placed so that none meets another."""

    def __init__(self, area: Box, taken: Iterable[Box] = ()) -> None:
        self.area = area
        self._taken = list(taken)

    def take(self, box: Box) -> None:
        """Keep others out of `box`."""
        self._taken.append(box)

    def place(self, wanted: Box, *, step: float, reach: float) -> Box | None:
        """Take the free place nearest to `wanted`; None if there is none within `reach`."""
        around = Box(
            wanted.left - reach, wanted.top - reach, wanted.right + reach, wanted.bottom + reach
        )
        near = [
            (other.left, other.right, other.top, other.bottom)
            for other in self._taken
            if other.meets(around)
        ]
        area, high, wide = self.area, wanted.bottom - wanted.top, wanted.right - wanted.left
        # Hundreds of places for each of a hundred values: no box is made for one that is barred.
        for dx, dy in _outwards(round(reach / step, 6)):
            left, top = wanted.left + dx * step, wanted.top + dy * step
            right, bottom = left + wide, top + high
            if left < area.left or right > area.right or top < area.top or bottom > area.bottom:
                continue
            for i, (from_x, to_x, from_y, to_y) in enumerate(near):
                if left < to_x and from_x < right and top < to_y and from_y < bottom:
                    near.insert(0, near.pop(i))  # it most likely bars the next one too
                    break
            else:
                box = Box(left, top, right, bottom)
                self.take(box)
                return box
        return None


def spread(wanted: Iterable[float], *, apart: float) -> Iterator[float]:
    """Move rising figures up so that neighbours are at least `apart`."""
    last: float | None = None
    for figure in wanted:
        last = figure if last is None else max(figure, last + apart)
        yield last


@cache
def _outwards(most: float) -> tuple[tuple[int, int], ...]:
    """Up to `most` steps away from a place, the nearest first; sideways costs more than up."""
    reach = range(-27, 28)
    steps = [(dx, dy) for dx in reach for dy in reach if hypot(dx, dy) <= most]
    return tuple(sorted(steps, key=lambda s: (1.3 * s[0]) ** 2 + s[1] ** 2 + (s[1] < 0)))
