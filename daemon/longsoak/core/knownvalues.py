"""A sensor held against a value that is known: a salt solution, melting ice, a ruler. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import hypot
from statistics import fmean, stdev

from longsoak.core.proof.reads import COVERAGE
from longsoak.core.wording import DECIMALS
from longsoak.vocabulary.errors import PhysicsError, RequestError
from longsoak.vocabulary.logbook import KNOWN, About, LogbookEntry
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Kind, Probe

KINDS = (Kind.HUMIDITY, Kind.TEMPERATURE, Kind.LEVEL)
FEWEST = 5  # readings
SALT_UNCERTAINTY = 0.5  # % RH, standard, of a jar made with care: common practice
_FIELDS = ("value", "uncertainty", "read", "spread", "readings", "off", "allowed", "against")


@dataclass(frozen=True, slots=True)
class Salt:
    """Relative humidity over a saturated solution: a polynomial in degC, and where it holds."""

    terms: tuple[float, ...]
    low: float
    high: float


# Greenspan 1977, J. Res. NBS 81A, 89: its coefficients second hand, where two programs that took
# them from it agree (nitrate and sulfate: from one). Both have the second one of lithium chloride
# with the other sign, which misses the 11.3 % at 25 degC of every table. Water is what saturation
# is.
SALTS: Mapping[str, Salt] = {
    "lithium chloride": Salt((11.2323, 0.00824245, -0.214890e-3), 5.0, 80.0),
    "magnesium chloride": Salt((33.6686, -0.00797397, -0.108988e-2), 0.0, 80.0),
    "sodium chloride": Salt((75.5164, 0.0398321, -0.265459e-2, 0.2848e-4), 5.0, 80.0),
    "potassium chloride": Salt((88.6190, -0.193340, 0.899706e-3), 5.0, 80.0),
    "potassium nitrate": Salt((96.3361, 0.0112371, -0.484514e-2), 5.0, 50.0),
    "potassium sulfate": Salt((98.7792, -0.0590502), 5.0, 50.0),
    "water": Salt((100.0,), 0.0, 60.0),
}


def humidity_over(salt: str, temperature: float) -> float:
    """Relative humidity over a saturated salt solution, %.

    Parameters
    ----------
    salt : str
        One of `SALTS`.
    temperature : float
        Of the solution and the air above it, degC.

    Raises
    ------
    PhysicsError
        There is no such salt, or its table does not reach that temperature.
    """
    if salt not in SALTS:
        raise PhysicsError("salt", salt, f"one of {', '.join(SALTS)}")
    of = SALTS[salt]
    if not of.low <= temperature <= of.high:
        allowed = f"{of.low:g} to {of.high:g} degC over {salt}"
        raise PhysicsError("temperature", temperature, allowed)
    return sum(term * temperature**power for power, term in enumerate(of.terms))


@dataclass(frozen=True, slots=True)
class Known:
    """A value that is known, with its standard uncertainty, and in words what it is known by."""

    value: float
    uncertainty: float
    against: str


@dataclass(frozen=True, slots=True)
class Held:
    """What a sensor read against a known value, in its unit.

    `off` is its mean less the value, `allowed` twice the standard uncertainty of that, `spread` the
    standard deviation of its readings.
    """

    known: Known
    read: float
    spread: float
    readings: int
    off: float
    allowed: float

    @property
    def good(self) -> bool:
        """Whether it agrees within what both are known to."""
        return abs(self.off) <= self.allowed

    @property
    def content(self) -> dict[str, Json]:
        """What a logbook entry keeps of it."""
        return {
            "value": self.known.value,
            "uncertainty": self.known.uncertainty,
            "against": self.known.against,
            "read": self.read,
            "spread": self.spread,
            "readings": self.readings,
            "off": self.off,
            "allowed": self.allowed,
        }

    def words(self, probe: Probe) -> str:
        """The same in a sentence."""
        unit, places = probe.unit_words, DECIMALS[probe.kind] + 1
        verdict = "agrees" if self.good else f"{'above' if self.off > 0 else 'below'} it"
        return (
            f"Against {self.known.against}, {self.known.value:.{places}f} {unit}: read "
            f"{self.read:.{places}f} {unit}, off by {self.off:+.{places}f} with "
            f"{self.allowed:.{places}f} allowed; {verdict}."
        )


def held_against(readings: Sequence[Reading], known: Known) -> Held:
    """Compare the readings of some minutes at rest with what is known.

    Raises
    ------
    RequestError
        There are too few with a value, or they still move: by more than what would be allowed.
    """
    values = [r.value for r in readings if r.value is not None]
    if len(values) < FEWEST:
        raise RequestError(
            f"{len(values)} readings with a value came in that time, expected {FEWEST} or more: "
            "look further back with --minutes. Nothing was kept."
        )
    sensor = max((r.uncertainty or 0.0) for r in readings)
    read, spread = fmean(values), stdev(values)
    allowed = COVERAGE * hypot(known.uncertainty, sensor)
    third = max(1, len(values) // 3)
    moved = fmean(values[-third:]) - fmean(values[:third])
    if abs(moved) > allowed:
        raise RequestError(
            f"It still moves, by {moved:+.3g} in that time: wait until it rests, which takes hours "
            "over a salt. Nothing was kept."
        )
    return Held(known, read, spread, len(values), read - known.value, allowed)


def wrong_content(entry: LogbookEntry) -> str | None:
    """What is wrong with the content of an entry of the kind "known value"; None if nothing is."""
    content = entry.content
    numbers = [value for name, value in content.items() if name != "against"]
    if (
        content.keys() != set(_FIELDS)
        or not isinstance(content["against"], str)
        or not all(isinstance(n, int | float) and not isinstance(n, bool) for n in numbers)
    ):
        return f"A check against a known value has {', '.join(_FIELDS)}"
    if entry.subject.about is not About.PROBE:
        return "A check against a known value is about one probe"
    return None


@dataclass(frozen=True, slots=True)
class Since:
    """One check of a probe and how far its offset has moved since its first against the same."""

    entry: LogbookEntry
    off: float
    allowed: float
    moved: float | None


def checks_of(entries: Sequence[LogbookEntry]) -> list[Since]:
    """Every check that counts, oldest first; `entries` are all of the kind "known value"."""
    first: dict[tuple[str, str], float] = {}
    found = []
    for entry in sorted(entries, key=lambda entry: entry.number):
        if entry.kind != KNOWN or entry.corrected_by:
            continue
        off, allowed = float(str(entry.content["off"])), float(str(entry.content["allowed"]))
        key = entry.subject.name, str(entry.content["against"])
        moved = off - first[key] if key in first else None
        first.setdefault(key, off)
        found.append(Since(entry, off, allowed, moved))
    return found
