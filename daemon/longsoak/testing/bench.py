"""What the checks need of a bench: an instrument in good order that can be made to misbehave."""

from collections.abc import Mapping, Sequence
from enum import StrEnum
from types import MappingProxyType
from typing import Protocol, Self, runtime_checkable

from longsoak.driver import BusKind, BusSettings, Channel
from longsoak.vocabulary.sample import Sample

# What a probe of a bench gives in good order, and where the rig file would say it is.
Reads = Sequence[tuple[Sample, Mapping[str, object]]]


class Mischief(StrEnum):
    """What can go wrong between a driver and its instruments."""

    SILENCE = "nothing is answered"
    GARBAGE = "what is answered makes no sense"
    HALF = "an answer breaks off half way"
    PIECES = "an answer comes in pieces, and in time"
    SLOW = "an answer comes byte by byte, and takes longer than the time limit"
    TRICKLE = "a byte that belongs to nothing comes every now and then, for ever"
    BABBLE = "bytes that belong to nothing come without end"
    LATE = "an answer comes when the time limit is over"
    CROSSED = "an answer comes together with the one to the next question"
    HANG = "a read does not come back"
    THEFT = "another program reads along"
    LOSS = "the bus goes away, and comes back"
    RENAMING = "the bus comes back as another device"
    OWNER = "another program holds the bus"


# Under these no instrument sends a whole answer, so that a value would be an invented one.
VALUELESS = frozenset(
    {
        Mischief.SILENCE,
        Mischief.GARBAGE,
        Mischief.HALF,
        Mischief.TRICKLE,
        Mischief.BABBLE,
        Mischief.HANG,
    }
)


class Bench(Protocol):
    """A driver, and what it talks to, for the length of one check.

    A bench is set up as a context manager; `settings` hold from then on.
    """

    @property
    def kind(self) -> BusKind:
        """The driver under test."""
        ...

    @property
    def settings(self) -> BusSettings:
        """What opens the bus: at least two probes, and the shortest time limits there are."""
        ...

    @property
    def reads(self) -> Mapping[str, Sample]:
        """What each probe gives in good order, no two the same value."""
        ...

    @property
    def longest(self) -> float:
        """Longest time a driver may take for one item, to open the bus, or to close it, s."""
        ...

    def __enter__(self) -> Self:
        """Set it up, in good order."""
        ...

    def __exit__(self, *_: object) -> None:
        """Take everything away again."""
        ...

    def cannot(self, mischief: Mischief) -> str | None:
        """Why this bench can't do it, or why no driver of this bus could bear it; else None."""
        ...

    def misbehave(self, mischief: Mischief, *, only: int | None = None) -> None:
        """Do it from now on, or to one answer only.

        Parameters
        ----------
        mischief : Mischief
            One this bench can do, other than those of the bus as a whole.
        only : int or None
            Where the bench answers questions: which answer from now, counted from 0. Where it
            holds readings ready: which probe of the settings.
        """
        ...

    def behave(self) -> None:
        """Be in good order again."""
        ...

    def asked(self) -> bool:
        """Whether a driver has asked for something since the last `misbehave`."""
        ...

    def lose(self) -> None:
        """Take the bus away, while a driver may have it open."""
        ...

    def bring_back(self, *, renamed: bool = False) -> None:
        """Give the bus back, under the same settings; perhaps as another device of the kernel."""
        ...

    def occupy(self) -> bool:
        """Take the bus as another program would; whether it was to be had."""
        ...

    def vacate(self) -> None:
        """Give it up again."""
        ...

    def stolen(self) -> int:
        """How many bytes another program has taken since the bench was set up."""
        ...


@runtime_checkable
class SwitchBench(Protocol):
    """What a `Bench` has beside, if its settings name outputs: two or more."""

    def is_on(self, output: str) -> bool:
        """Whether the output itself is on, whatever the driver believes; off if nobody holds it."""
        ...


def bus_settings(reads: Reads, options: Mapping[str, object]) -> BusSettings:
    """Settings as the service makes them, read-only: a driver that writes into them shows."""
    return BusSettings(
        "bench",
        MappingProxyType(dict(options)),
        tuple(
            Channel(sample.probe, sample.unit, MappingProxyType(dict(address)))
            for sample, address in reads
        ),
    )
