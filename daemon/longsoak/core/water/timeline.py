"""The one clock that the water book is told: it only rises, whatever clocks are set to. Pure.

Within a boot it goes with CLOCK_BOOTTIME. What lies between two boots is known where the wall
clock was to be believed on both sides; else nobody knows how long that was, and it goes on from
where it stood. Any of its times can be said as a run's own clocks had it, by which readers place
it.
"""

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

_MOST = 256  # pieces remembered: a machine that starts anew each hour fills ten days
_A_MOMENT = 0.001  # s: two scans never share a time


class At(NamedTuple):
    """A moment as the clocks of its run said it, ms."""

    run: int
    utc_ms: int
    boottime_ms: int


class _Piece(NamedTuple):
    begin: float  # s, of the book's clock
    run: int
    base: float  # s: the book's clock less CLOCK_BOOTTIME
    offset_ms: int  # the wall clock less CLOCK_BOOTTIME


@dataclass(slots=True)
class Timeline:
    """Tells the time of each scan; what it remembers is plain."""

    boot: str = ""
    at: float = 0.0  # of the last scan, s
    utc_ms: int | None = None  # of the last scan where its clock could be believed
    pieces: list[_Piece] = field(default_factory=list)

    def take(
        self, *, boot: str, run: int, utc_ms: int, boottime_ms: int, placed_ms: int | None
    ) -> tuple[float, bool]:
        """The time of a scan, s, and whether the time since the one before is known.

        Parameters
        ----------
        boot : str
            What tells one boot from another.
        run : int
            The run it was measured in.
        utc_ms, boottime_ms : int
            As the scan has them.
        placed_ms : int or None
            Its UTC, if that can be believed.
        """
        seconds, known = boottime_ms / 1000, True
        if boot == self.boot:
            base = self.pieces[-1].base
        elif not self.pieces:
            base = 0.0
        else:
            gone = None
            if placed_ms is not None and self.utc_ms is not None:
                gone = (placed_ms - self.utc_ms) / 1000
            known = gone is not None and gone > 0.0
            base = self.at + (gone if gone is not None and known else _A_MOMENT) - seconds
        at = max(base + seconds, self.at + _A_MOMENT)
        offset = utc_ms - boottime_ms
        last = self.pieces[-1] if self.pieces else None
        if last is None or (last.run, last.base, last.offset_ms) != (run, base, offset):
            self.pieces = [*self.pieces[1 - _MOST :], _Piece(at, run, base, offset)]
        self.boot, self.at, self.utc_ms = boot, at, placed_ms
        return at, known

    def moment(self, at: float) -> At:
        """The same time as the clocks of its run had it; one before all pieces is of the first."""
        found = self.pieces[max(0, bisect_right(self.pieces, at, key=_begin) - 1)]
        boottime_ms = round((at - found.base) * 1000)
        return At(found.run, boottime_ms + found.offset_ms, boottime_ms)

    def memory(self) -> dict[str, Any]:
        """What it goes on from, as plain values."""
        pieces = [list(piece) for piece in self.pieces]
        return {"boot": self.boot, "at": self.at, "utc_ms": self.utc_ms, "pieces": pieces}

    def go_on(self, kept: Mapping[str, Any]) -> None:
        """Go on from a memory."""
        self.boot, self.at, self.utc_ms = kept["boot"], kept["at"], kept["utc_ms"]
        self.pieces = [_Piece(*piece) for piece in kept["pieces"]]


def _begin(piece: _Piece) -> float:
    return piece.begin
