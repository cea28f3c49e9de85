"""The specimen on a scale, by hand: as an entry of the logbook, and what its mass was. Pure."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.regression import student_quantile
from longsoak.vocabulary.logbook import WEIGHING, LogbookEntry
from longsoak.vocabulary.proof import Json

READINGS = 3  # at least: of one nobody knows whether the specimen hung still
MOST_KG = 20_000.0
_MOST_MINUTES = 1440.0
_FIELDS = frozenset(
    {"readings_kg", "tare_kg", "gear_kg", "offset_kg", "pump_off", "drained_min", "scale"}
)
_LONGEST = 120  # characters
# The usual caution; lifting gear and its use are for whoever is trained and licensed for it.
CAUTION = (
    "A wet specimen is heavier than it was: nobody stands under it or beside it while it hangs, "
    "and it is lifted with gear made for twice its mass, by whoever is trained for that."
)


def no_window_words(how: str) -> str:
    """What to say of a weighing outside of a service window, `how` saying what opens one."""
    return (
        f"No service window is open: open one {how} before it is lifted, so that what the lift "
        "does to readings is known for what it is."
    )


@dataclass(frozen=True, slots=True)
class Weighing:
    """One round on the scale, masses in kg.

    `mass` is the mean reading less `tare` and what hangs with the specimen (`gear`), and with the
    `offset` that hanging it up again made. `uncertainty` is that of the mean by the readings'
    scatter, widened by Student's t so that twice it holds 95 %; the scale's own is not in it.
    """

    number: int
    at_ms: int
    by: str
    says: str
    scale: str
    readings: tuple[float, ...]
    tare: float
    gear: float
    offset: float
    pump_off: bool
    drained_min: float

    @property
    def mass(self) -> float:
        """Of the specimen alone."""
        mean = math.fsum(self.readings) / len(self.readings)
        return mean - self.tare - self.gear + self.offset

    @property
    def uncertainty(self) -> float:
        """Standard, of the mean."""
        n = len(self.readings)
        mean = math.fsum(self.readings) / n
        spread = math.sqrt(math.fsum((value - mean) ** 2 for value in self.readings) / (n - 1))
        return student_quantile(0.975, n - 1.0) / 2.0 * spread / math.sqrt(n)


def weighing_content(
    readings: Sequence[float],
    *,
    scale: str,
    tare: float = 0.0,
    gear: float = 0.0,
    offset: float = 0.0,
    pump_off: bool,
    drained_min: float,
) -> dict[str, Json]:
    """What an entry of the kind "weighing" holds; it is about the rig. Masses are in kg."""
    return {
        "readings_kg": list(readings),
        "scale": scale,
        "tare_kg": tare,
        "gear_kg": gear,
        "offset_kg": offset,
        "pump_off": pump_off,
        "drained_min": drained_min,
    }


def wrong_content(entry: LogbookEntry) -> str | None:
    """What is wrong with an entry of the kind "weighing"; None if nothing is."""
    content = entry.content
    if content.keys() != _FIELDS:
        return f"A weighing has {', '.join(sorted(_FIELDS))}"
    readings, scale = content["readings_kg"], content["scale"]
    if not isinstance(readings, list) or len(readings) < READINGS:
        return f"A weighing has {READINGS} readings or more: lift it anew and read again"
    if not all(_within(value, 0.0, MOST_KG) for value in readings):
        return f"A reading of a scale is 0 to {MOST_KG:g} kg"
    if not isinstance(scale, str) or not scale or len(scale) > _LONGEST or not scale.isprintable():
        return f"Say which scale, in a line of up to {_LONGEST} characters"
    for name in ("tare_kg", "gear_kg"):
        if not _within(content[name], 0.0, MOST_KG):
            return f"The {name.removesuffix('_kg')} is 0 to {MOST_KG:g} kg"
    if not _within(content["offset_kg"], -MOST_KG, MOST_KG):
        return "What hanging it up again made is a number of kg"
    if not isinstance(content["pump_off"], bool):
        return "Say whether the pump was off"
    if not _within(content["drained_min"], 0.0, _MOST_MINUTES):
        return f"It drained for 0 to {_MOST_MINUTES:g} minutes before"
    if _weighing(entry).mass <= 0.0:
        return "Tare and gear weigh more than what hung on the scale: look at the numbers"
    return None


def weighings(entries: Iterable[LogbookEntry]) -> list[Weighing]:
    """Every weighing that nothing corrects, oldest first; `entries` may be of any kind."""
    counts = [entry for entry in entries if entry.kind == WEIGHING and not entry.corrected_by]
    return sorted(map(_weighing, counts), key=lambda each: (each.at_ms, each.number))


def _weighing(entry: LogbookEntry) -> Weighing:
    content: Mapping[str, Json] = entry.content
    readings = content["readings_kg"]
    return Weighing(
        entry.number,
        speaks_of_ms(entry),
        entry.by,
        entry.says,
        str(content["scale"]),
        tuple(float(str(value)) for value in readings) if isinstance(readings, list) else (),
        float(str(content["tare_kg"])),
        float(str(content["gear_kg"])),
        float(str(content["offset_kg"])),
        content["pump_off"] is True,
        float(str(content["drained_min"])),
    )


def weighing_words(each: Weighing) -> str:
    """A weighing in a line: "812.4 ± 0.3 kg, pump off, drained 20 min"."""
    pump = "pump off" if each.pump_off else "pump on"
    return (
        f"{each.mass:.2f} ± {2 * each.uncertainty:.2f} kg, {pump}, drained {each.drained_min:g} min"
    )


def remarks(found: Sequence[Weighing]) -> list[str]:
    """What weighings can't be held against each other for, in sentences."""
    said = []
    if any(not each.pump_off for each in found):
        said.append("With the pump on the water on the face was weighed with it.")
    if len({(each.pump_off, each.drained_min) for each in found}) > 1:
        said.append("They drained for unlike times: part of a difference is water that ran off.")
    if len({each.scale for each in found}) > 1:
        said.append("They were not all on one scale.")
    return said


def weighing_document(each: Weighing) -> dict[str, Json]:
    """A weighing for programs, masses in kg."""
    return {
        "number": each.number,
        "mass_kg": each.mass,
        "standard_uncertainty_kg": each.uncertainty,
        "readings_kg": list(each.readings),
        "scale": each.scale,
        "tare_kg": each.tare,
        "gear_kg": each.gear,
        "offset_kg": each.offset,
        "pump_off": each.pump_off,
        "drained_min": each.drained_min,
        "by": each.by,
        "says": each.says,
    }


def _within(number: object, least: float, most: float) -> bool:
    if not isinstance(number, int | float) or isinstance(number, bool):
        return False
    return math.isfinite(number) and least <= number <= most
