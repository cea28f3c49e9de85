"""The water that runs back when the pump stops, and out again when it starts. Pure.

It is on the face, in the hose and on the rail, and it is no top-up. How much it is, is learnt from
what leaves the reservoir whenever the pump starts: nobody bales at that moment, while pump stops
are when people pour.
"""

from dataclasses import dataclass, field
from statistics import median

SETTLES = 1200.0  # s until it has run back. Common practice: a face drips for some minutes.
# What a face holds, and hose and rail: two millimetres of film, and a litre. Own choice: several
# times what render and rails hold; more than that at once is water that was poured.
PER_M2, HOSE = 2.0, 1.0  # L/m2, L
_REMEMBERED = 5  # starts
CYCLES, WITHIN = 4, 7200.0  # changes within s: a pump on a timer, whose film is a ripple


@dataclass(slots=True)
class Film:
    """How much water is back in the reservoir now, L: `back`; `most` is what it can be."""

    most: float
    back: float = 0.0
    seen: list[float] = field(default_factory=list)
    changes: list[float] = field(default_factory=list)

    @property
    def usual(self) -> float | None:
        """How much it was at the last starts; None until there was one."""
        return median(self.seen) if self.seen else None

    def changed(self, at: float) -> None:
        """Note that the pump started or stopped."""
        self.changes = [*[each for each in self.changes if at - each < WITHIN][-CYCLES:], at]

    def cycles(self, at: float) -> bool:
        """Whether the pump goes on and off so often that its film is part of the noise."""
        return len([each for each in self.changes if at - each < WITHIN]) >= CYCLES

    def stopped(self, rise: float, *, doubt: float) -> None:
        """Take a rise while the pump stopped for film, as far as it can be that."""
        usual = self.usual
        if usual is None:
            self.back = rise if 0.0 < rise <= self.most else 0.0
        else:
            # Nothing came back: the pump went on, whatever says that it stands.
            found = abs(rise - usual) <= doubt or abs(rise) <= doubt
            self.back = max(rise, 0.0) if found else usual

    def started(self, fall: float, *, learn: bool) -> None:
        """The film has left the reservoir; learn from how much that was, if it was seen."""
        if learn and 0.0 <= fall <= self.most:
            self.seen = [*self.seen, fall][-_REMEMBERED:]
        self.back = 0.0
