"""Whether a serial bus brings nothing but garble, as it does at the wrong speed.

One garbled answer is a disturbance, and its probe says so. If all that comes is garbled the fault
is the bus's, and the first thing to look at is what both ends must agree on.
"""

from collections import Counter
from collections.abc import Collection

from longsoak.driver import BusKind
from longsoak.vocabulary.rig import Bus
from longsoak.vocabulary.sample import Absence, Missing, Sample

GARBLED = 5  # answers in a row
EACH = 2  # times every probe was asked meanwhile: one disturbance may last for a whole pass
_AGREED = ("baud", "parity", "stopbits")  # options of a driver that both ends must agree on


class Garble:
    """What came over one bus since it last brought something that could be read.

    Parameters
    ----------
    bus, probes
        The bus and the names of all probes on it.
    kind : BusKind
        Its driver. One without an option ``baud`` has no speed to get wrong.
    """

    def __init__(self, bus: Bus, probes: Collection[str], *, kind: BusKind) -> None:
        self._probes = probes
        options = {name: field.default for name, field in kind.Options.model_fields.items()}
        options |= bus.options
        serial = "baud" in options and options.get("tcp") is None
        self._agreed = [f"{name} = {options[name]}" for name in _AGREED if name in options]
        self._agreed = self._agreed if serial else []
        self._asked: Counter[str] = Counter()
        self._garbled = 0

    @property
    def says(self) -> str | None:
        """A sentence if all that comes is garbled; None otherwise."""
        if not self._agreed or self._garbled < GARBLED:
            return None
        if any(self._asked[probe] < EACH for probe in self._probes):
            return None
        return (
            "something answers, but it can't be read: check that "
            f"{', '.join(self._agreed)} is what the device's manual says, then the cable and its "
            "shield, and that no other program or device talks at the same time."
        )

    def note(self, item: Sample | Missing) -> None:
        """Take an answer in. Silence says nothing of the speed."""
        if isinstance(item, Sample) or item.why in (Absence.REFUSED, Absence.UNREADABLE):
            self._asked.clear()  # it came whole, whatever it means
            self._garbled = 0
            return
        self._asked[item.probe] += 1
        self._garbled += item.why is Absence.BAD_CHECKSUM
