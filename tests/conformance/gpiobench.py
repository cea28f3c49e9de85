"""GPIO lines on a bench. No chip is here, so what the kernel holds of the lines is faked."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Self
from unittest.mock import patch

import gpiod
from gpiod.line import Value

from drivers.heldlines import Held
from longsoak.driver import BusSettings, Switch
from longsoak.testing.bench import Mischief, Reads, bus_settings
from longsoak.vocabulary.sample import Sample
from longsoak_drivers import gpio

LINES: Reads = [
    (Sample("high float", 1.0, "1"), {"line": 17, "active": "low", "bias": "pull up"}),
    (Sample("low float", 0.0, "1"), {"line": 27}),
]


SWITCHES = (Switch("lamp", {"line": 22}), Switch("valve", {"line": 24, "active": "low"}))


class Kept(Held):
    """Lines that are held until they are released."""

    def __init__(self, config: dict[int | str, gpiod.LineSettings]) -> None:
        super().__init__(config)
        if 17 in config:
            self.values[17] = Value.ACTIVE


class GpioBench:
    """Two float switches on a chip that may be held by somebody else, or be gone."""

    kind = gpio
    longest = 5.0
    reads: Mapping[str, Sample] = {sample.probe: sample for sample, _ in LINES}
    settings: BusSettings = replace(
        bus_settings(LINES, {"chip": "/dev/gpiochip0", "debounce": 0.05}), switches=SWITCHES
    )

    def __init__(self) -> None:
        self._held: list[Kept] = []
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
        for held in self._held:
            held.gone = True

    def bring_back(self, *, renamed: bool = False) -> None:
        self._there = True
        self._held = []

    def occupy(self) -> bool:
        self._occupied = all(held.released for held in self._held)
        return self._occupied

    def is_on(self, output: str) -> bool:
        line = next(switch.address["line"] for switch in SWITCHES if switch.output == output)
        return any(
            held.values[number] is Value.ACTIVE
            for held in self._held
            for number in held.config
            if number == line and not held.released
        )

    def vacate(self) -> None:
        self._occupied = False

    def _request(self, path: str, config: dict[int | str, gpiod.LineSettings], **_: object) -> Held:
        if not self._there:
            raise FileNotFoundError(2, "No such file or directory", path)
        if self._occupied or any(
            not held.released and held.config.keys() & config.keys() for held in self._held
        ):
            raise OSError(16, "Device or resource busy")
        self._held.append(Kept(config))
        return self._held[-1]
