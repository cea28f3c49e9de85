"""GPIO lines on a bench. No chip is here, so what the kernel holds of the lines is faked."""

from collections.abc import Mapping
from typing import Self
from unittest.mock import patch

import gpiod
from gpiod.line import Value

from drivers.heldlines import Held
from longsoak.driver import BusSettings
from longsoak.testing.bench import Mischief, Reads, bus_settings
from longsoak.vocabulary.sample import Sample
from longsoak_drivers import gpio

LINES: Reads = [
    (Sample("high float", 1.0, "1"), {"line": 17, "active": "low", "bias": "pull up"}),
    (Sample("low float", 0.0, "1"), {"line": 27}),
]


class Kept(Held):
    """Lines that are held until they are released."""

    def __init__(self, config: dict[int | str, gpiod.LineSettings]) -> None:
        super().__init__(config)
        self.values[17] = Value.ACTIVE


class GpioBench:
    """Two float switches on a chip that may be held by somebody else, or be gone."""

    kind = gpio
    longest = 5.0
    reads: Mapping[str, Sample] = {sample.probe: sample for sample, _ in LINES}
    settings: BusSettings = bus_settings(LINES, {"chip": "/dev/gpiochip0", "debounce": 0.05})

    def __init__(self) -> None:
        self._held: Kept | None = None
        self._occupied = False
        self._there = True
        self._patch = patch.object(gpiod, "request_lines", self._request)

    def __enter__(self) -> Self:
        self._patch.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._patch.stop()

    def cannot(self, mischief: Mischief) -> str | None:
        if mischief in (Mischief.LOSS, Mischief.OWNER):
            return None
        if mischief is Mischief.RENAMING:
            return "this bench names the chip by its device"
        return "a line has a level at every moment, and answers nothing"

    def misbehave(self, mischief: Mischief, *, only: int | None = None) -> None:
        raise NotImplementedError(mischief)

    def behave(self) -> None:
        """It always does."""

    def asked(self) -> bool:
        return False

    def stolen(self) -> int:
        return 0

    def lose(self) -> None:
        self._there = False
        if self._held is not None:
            self._held.gone = True

    def bring_back(self, *, renamed: bool = False) -> None:
        self._there = True
        self._held = None

    def occupy(self) -> bool:
        self._occupied = self._held is None or self._held.released > 0
        return self._occupied

    def vacate(self) -> None:
        self._occupied = False

    def _request(self, path: str, config: dict[int | str, gpiod.LineSettings], **_: object) -> Held:
        if not self._there:
            raise FileNotFoundError(2, "No such file or directory", path)
        if self._occupied or (self._held is not None and not self._held.released):
            raise OSError(16, "Device or resource busy")
        self._held = Kept(config)
        return self._held
