"""What judging one step found, before anybody puts their name and a time to it. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median, stdev

from longsoak.core.judge import OVERLOAD, SPANS
from longsoak.core.wording import ohm_words
from longsoak.vocabulary.proof import Json, Outcome
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Bus, Kind, Probe, Rig


@dataclass(frozen=True, slots=True)
class Finding:
    """How a step ended, one sentence that says so, and the numbers it rests on."""

    outcome: Outcome
    says: str
    content: Mapping[str, Json]


def judged(good: bool, says: str, content: Mapping[str, Json]) -> Finding:
    """A finding that is either good or bad."""
    return Finding(Outcome.GOOD if good else Outcome.BAD, says, content)


def bus_of(probe: Probe, rig: Rig) -> Bus:
    """The bus a probe is on."""
    return next(bus for bus in rig.buses if bus.name == probe.bus)


def answers(readings: Sequence[Reading]) -> list[float]:
    """The raw values of those readings that brought one."""
    return [reading.raw for reading in readings if reading.raw is not None]


def silence(readings: Sequence[Reading]) -> str:
    """That some polls brought nothing, with what to do; empty where each brought a value."""
    nothing = sum(reading.raw is None for reading in readings)
    told = f"{nothing} of {len(readings)} polls brought nothing: look at its bus, then repeat."
    return told if nothing else ""


def is_open(ohm: float, bus: Bus) -> bool:
    """Whether a resistance is beyond what its meter can measure: an overload, or no wire at all."""
    return ohm >= OVERLOAD or ohm > most_of(bus)


def most_of(bus: Bus) -> float:
    """The largest resistance a bus tells from an open circuit, Ohm."""
    return SPANS[Kind.PINS].fail[1] if bus.most is None else bus.most


def finite(ohm: float, bus: Bus) -> float | None:
    """A resistance for a record that takes finite numbers that mean something; None is open."""
    return None if is_open(ohm, bus) else ohm


def ohms(value: float) -> str:
    """A resistance with its unit: "10.02 MΩ", "412 Ω"."""
    words = ohm_words(value)
    return words if words == "open" else f"{words}Ω" if words[-1].isalpha() else f"{words} Ω"


def scatter(values: Sequence[float]) -> float:
    """The standard deviation of single values; 0 of fewer than two."""
    return stdev(values) if len(values) > 1 else 0.0


def centre(values: Sequence[float]) -> float:
    """The median: one spike among ten readings does not move it."""
    return median(values)
