"""The contract between the polling service and a driver. Third parties import only this."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from pydantic import BaseModel

from longsoak.vocabulary.sample import Missing, Sample


@dataclass(frozen=True, slots=True)
class Channel:
    """One probe on a bus: what the driver calls it and where the rig file says it is.

    `unit` is the UCUM code such a probe is expected to answer in; a driver whose wire carries
    bare numbers puts it on its samples.
    """

    probe: str
    unit: str
    address: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Switch:
    """One output on a bus: what it is called and where the rig file says it is."""

    output: str
    address: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class BusSettings:
    """All a driver needs to open its bus. Only a driver that switches is given `switches`."""

    name: str
    options: Mapping[str, object]
    channels: tuple[Channel, ...]
    switches: tuple[Switch, ...] = ()


class BusDriver(Protocol):
    """Owns one open bus. Called from one thread at a time; one call at a time."""

    def poll(self, probes: Sequence[str]) -> Iterable[Sample | Missing]:
        """Ask each probe once; yield one item per probe, in the order asked, as it comes.

        The caller may leave off after any item, because something more urgent is due or the
        process is to end; it then asks again for what it left. A silent or garbled probe is an
        answer (`Missing`), never an exception. Every wait inside has a limit, so that the next
        item always comes.

        Raises
        ------
        BusError
            The bus itself is unusable. The items yielded before it hold. The caller closes the
            driver and opens it again later; the driver doesn't retry by itself.
        """
        ...

    def describe(self) -> str:
        """Say in a few words what answered when the bus was opened."""
        ...

    def close(self) -> None:
        """Release the bus. Safe to call twice, and after a `BusError`."""
        ...


@runtime_checkable
class Switching(Protocol):
    """What a `BusDriver` has beside, if its bus has outputs that can be switched.

    All of them are off once the bus was opened, and after `close`. Whatever ends the process must
    let them go too; what a line that was let go does is for the wiring to see to, as a pull-down
    resistor and a valve that closes by its spring do.
    """

    def switch(self, output: str, *, on: bool) -> None:
        """Switch an output. It stays so until the next call; the caller sees to limits.

        Raises
        ------
        BusError
            It could not be switched. The caller closes the driver, which lets go of all outputs.
        """
        ...


@runtime_checkable
class SwitchingKind(Protocol):
    """What a `BusKind` has beside, if its drivers are `Switching`."""

    @property
    def OutputAddress(self) -> type[BaseModel]:  # noqa: N802 - it is a class
        """Checks an output's ``address``."""
        ...


class BusKind(Protocol):
    """What an entry point of the group ``longsoak.drivers`` names: a module with these three."""

    @property
    def Options(self) -> type[BaseModel]:  # noqa: N802 - it is a class
        """Checks what a ``[[buses]]`` table may say beyond ``name`` and ``driver``.

        Fields called ``baud``, ``parity`` and ``stopbits`` are what both ends of a serial line must
        agree on; they are named when all that comes is garbled.
        """
        ...

    @property
    def Address(self) -> type[BaseModel]:  # noqa: N802 - it is a class
        """Checks a probe's ``address``."""
        ...

    def open_bus(self, settings: BusSettings) -> BusDriver:
        """Open the bus.

        Raises
        ------
        BusError
            It can't be opened now: port absent, permission denied, nothing answers at all.
        """
        ...
