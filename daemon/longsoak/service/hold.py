"""Pins wait at a start for the temperatures that correct them."""

import threading
from collections.abc import Collection

from longsoak.service.buses import Pass
from longsoak.vocabulary.rig import Kind, Rig


class Hold:
    """Lets the pins of a bus wait at the start until their temperatures have been measured once."""

    def __init__(self, rig: Rig) -> None:
        here = {probe.name: probe.bus for probe in rig.probes}
        self._missing = {
            bus.name: {
                name
                for probe in rig.probes
                if probe.bus == bus.name and probe.kind is Kind.PINS
                for name in probe.temperatures
                if here[name] != bus.name
            }
            for bus in rig.buses
        }
        self._events = {name: threading.Event() for name in self._missing}
        for name, missing in self._missing.items():
            if not missing:
                self._events[name].set()

    def for_bus(self, name: str) -> threading.Event:
        """What the bus waits for."""
        return self._events[name]

    def seen(self, taken: Pass) -> None:
        """Note a pass that is converted."""
        self.known({sample.probe for sample in taken.samples})

    def known(self, asked: Collection[str]) -> None:
        """Note probes that nobody has to wait for."""
        for name, missing in self._missing.items():
            missing.difference_update(asked)
            if not missing:
                self._events[name].set()
