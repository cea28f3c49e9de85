"""The simulated bench meter with a scanner: SCPI over serial, one relay per channel."""

import re
from pathlib import Path

from longsoak_demo.bench import Bench, wired
from longsoak_demo.places import METER
from longsoak_demo.ptyport import LineAssembler, PtyPort

IDENTITY = "SIMULATED,METER-SCANNER,0,1"
_OPEN = 9.9e37  # "not measurable" in SCPI (SCPI-99, volume 1, section 7.2.1: infinity)
_FULL_SCALE = 1.2e11  # Ohm; beyond it the meter can't tell a dry probe from no wire
_MEASURE = re.compile(r"MEAS(?:URE)?:RES(?:ISTANCE)?\?\s*\(@([\d,:\s]+)\)", re.IGNORECASE)
_NO_ERROR = '0,"No error"'


class Meter:
    """Answers on its port as long as the bench lets it.

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
        self._errors: list[str] = []
        self._channels = {int(place.address["channel"]): place for place in wired(METER)}

    def _heard(self, data: bytes) -> None:
        if self._bench.bus_silent(METER):
            return
        for line in self._lines.feed(data):
            answer = self._answer(line.decode("ascii", errors="replace"))
            if answer is not None:
                self.port.send(answer.encode("ascii") + b"\n")

    def _answer(self, command: str) -> str | None:
        head = command.upper()
        if head == "*IDN?":
            return IDENTITY
        if head in ("SYST:ERR?", "SYST:ERR:NEXT?", "SYSTEM:ERROR?"):
            return self._errors.pop(0) if self._errors else _NO_ERROR
        if head in ("*CLS", "*RST"):
            self._errors.clear()
            return None
        asked = _MEASURE.fullmatch(command)
        if asked is None:
            if command:
                self._errors.append('-113,"Undefined header"')
            return None
        channels = _channel_list(asked[1])
        if not channels or any(channel not in self._channels for channel in channels):
            self._errors.append('-222,"Data out of range"')
            return None
        places = [self._channels[channel] for channel in channels]
        if any(self._bench.silent(place) for place in places):
            return None
        return ",".join(_nr3(self._bench.reading(place)) for place in places)


def _channel_list(text: str) -> list[int]:
    """Channels in a list such as ``101,103:105``; empty if it is none."""
    channels: list[int] = []
    for part in text.split(","):
        ends = [end.strip() for end in part.split(":")]
        if len(ends) > 2 or not all(re.fullmatch(r"\d{3}", end) for end in ends):
            return []
        channels += range(int(ends[0]), int(ends[-1]) + 1)
    return channels


def _nr3(ohms: float) -> str:
    """A number as the meter prints it: NR3, seven digits."""
    return f"{_OPEN if ohms > _FULL_SCALE else ohms:+.6E}"
