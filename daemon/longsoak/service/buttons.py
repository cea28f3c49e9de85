"""The sealed buttons of a rig, pass by pass."""

from collections.abc import Iterator

from longsoak.core import button
from longsoak.core.button import Press, Told
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.reading import Scan
from longsoak.vocabulary.rig import Kind, Rig

# What is told of one besides that it was pressed.
WORDS = {
    Told.STUCK: "pressed for more than a minute: look for water or dirt in it",
    Told.FREE: "let go again",
}


class Buttons:
    """Remembers how each button of a rig was last seen."""

    def __init__(self, rig: Rig) -> None:
        self._presses = {p.name: Press() for p in rig.probes if p.kind is Kind.BUTTON}

    def look(self, scan: Scan) -> Iterator[tuple[str, Told]]:
        """What a pass tells of buttons, each by its probe's name."""
        if self._presses.keys().isdisjoint(scan.probes):
            return
        for name, value, flag in zip(scan.probes, scan.values, scan.flags, strict=True):
            if name not in self._presses:
                continue
            pressed = value > 0 if flag is Flag.PASS else None
            now = scan.boottime_ms / 1000
            self._presses[name], told = button.look(self._presses[name], pressed, now)
            if told is not None:
                yield name, told
