"""The simulated pins front end: checksummed text lines, as a small microcontroller sends them."""

from functools import reduce
from operator import xor
from pathlib import Path

from longsoak_demo.bench import Bench, wired
from longsoak_demo.places import FRONT_END
from longsoak_demo.ptyport import LineAssembler, PtyPort

_FULL_SCALE = 1.2e11  # Ohm
_OVER_RANGE = "9.9E37"  # what it prints where it measures no current


class FrontEnd:
    """Answers ``?P1`` with ``P1,412000,Ohm*hh``; a name it doesn't know gets no answer.

    ``?P1.emf`` gets what the pair makes by itself, in mV.

    Parameters
    ----------
    bench : Bench
        Where the resistances come from.
    link : Path
        The port's name.
    """

    def __init__(self, bench: Bench, link: Path) -> None:
        self.port = PtyPort(link, self._heard)
        self._bench = bench
        self._lines = LineAssembler()
        self._names = {str(place.address["name"]): place for place in wired(FRONT_END)}

    def _heard(self, data: bytes) -> None:
        for line in self._lines.feed(data):
            question, name = line[:1], line[1:].decode("ascii", errors="replace")
            place = self._names.get(name)
            if question != b"?" or place is None or self._bench.silent(place):
                continue
            reading = self._bench.reading(place)
            if place.kind == "polarisation":
                body = f"{name},{reading:.1f},mV".encode("ascii")
            else:
                value = _OVER_RANGE if reading > _FULL_SCALE else f"{reading:.0f}"
                body = f"{name},{value},Ohm".encode("ascii")
            self.port.send(body + b"*%02X\r\n" % reduce(xor, body, 0))
