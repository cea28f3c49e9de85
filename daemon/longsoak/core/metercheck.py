"""A hand meter held on a test block before and after a round: as an entry, and judged. Pure.

A block holds a known resistance, which a meter's maker gives as what the meter should show on it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite

from longsoak.core.handplaces import HandReading, rounds_of
from longsoak.core.handreadings import BOUNDS, LONGEST_LINE, UNITS, Shown
from longsoak.core.logbookwords import speaks_of_ms
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import METER_CHECK, LogbookEntry
from longsoak.vocabulary.proof import Json

BEFORE, AFTER = "before", "after"
WHEN = (BEFORE, AFTER)
_FIELDS = frozenset({"round", "meter", "when", "nominal", "shown", "unit", "bound"})
_MOST = {"%": 300.0, "Ohm": 1e13}


@dataclass(frozen=True, slots=True)
class MeterCheck:
    """A check that counts: what a block should show, and what the meter showed on it."""

    number: int
    at_ms: int
    by: str
    round: str
    meter: str
    when: str
    nominal: Shown
    shown: Shown

    @property
    def off(self) -> float | None:
        """Shown less nominal, in their unit; None where the meter showed an end of its scale."""
        return None if self.shown.bound else self.shown.value - self.nominal.value

    @property
    def words(self) -> str:
        """How far off it was: "0.4 % over the 18 % of the block"."""
        off, nominal = self.off, self.nominal
        if off is None:
            return f"showed {self.shown.words} on a block of {nominal.words}"
        if off == 0:
            return f"showed the {nominal.words} of the block"
        by = Shown(abs(off), nominal.unit).words
        return f"{by} {'over' if off > 0 else 'under'} the {nominal.words} of the block"


def check_content(
    *, round_name: str, meter: str, when: str, nominal: Shown, shown: Shown
) -> dict[str, Json]:
    """What an entry of the kind "meter check" holds; it is about the rig.

    Raises
    ------
    RequestError
        The block's value is a bound, or the two are in different units.
    """
    if nominal.bound:
        raise RequestError(
            f"A test block has one value, expected for example 18, not {nominal.words}. "
            "Nothing was kept."
        )
    if nominal.unit != shown.unit:
        raise RequestError(
            f"The block is told as {nominal.words} and the meter shows {shown.words}: write both "
            "in one unit. Nothing was kept."
        )
    return {
        "round": round_name,
        "meter": meter,
        "when": when,
        "nominal": nominal.value,
        "unit": nominal.unit,
        "shown": shown.value,
        "bound": shown.bound,
    }


def wrong_content(entry: LogbookEntry) -> str | None:
    """What is wrong with an entry of the kind "meter check"; None if nothing is."""
    content = entry.content
    if content.keys() != _FIELDS:
        return f"A check on a test block has {', '.join(sorted(_FIELDS))}"
    for name in ("round", "meter"):
        words = content[name]
        if not isinstance(words, str) or len(words) > LONGEST_LINE or not words.isprintable():
            return (
                f"The {name} of a check on a test block is one line of up to {LONGEST_LINE} "
                "characters"
            )
    if not content["round"]:
        return "A check on a test block belongs to a round: give it a number or a name"
    if not content["meter"]:
        return "Say which meter was checked"
    if content["when"] not in WHEN:
        return "A check on a test block is before or after its round: say which"
    if content["bound"] not in BOUNDS:
        return "A meter shows a value, at least one or at most one"
    unit = content["unit"]
    if unit not in UNITS:
        return f"The unit of a check on a test block is one of {', '.join(UNITS)}"
    for name, what in (("nominal", "a block should show"), ("shown", "the meter shows")):
        value = content[name]
        most = _MOST[str(unit)]
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not number or not isfinite(float(str(value))) or not 0 < float(str(value)) <= most:
            return f"What {what} is more than 0 {unit} and up to {most:g}, not {str(value)[:20]}"
    return None


def check_said(content: Mapping[str, Json]) -> str:
    """The sentence of a check's entry."""
    nominal, shown = _both(content)
    return (
        f"Test block of {nominal.words}: {content['meter']} shows {shown.words}, "
        f"{content['when']} round {content['round']}."
    )


def meter_checks(entries: Iterable[LogbookEntry]) -> list[MeterCheck]:
    """Every check that nothing corrects, oldest first; `entries` may be of any kind."""
    found = []
    for entry in entries:
        if entry.kind == METER_CHECK and not entry.corrected_by:
            content = entry.content
            found.append(
                MeterCheck(
                    entry.number,
                    speaks_of_ms(entry),
                    entry.by,
                    str(content["round"]),
                    str(content["meter"]),
                    str(content["when"]),
                    *_both(content),
                )
            )
    return sorted(found, key=lambda check: (check.at_ms, check.number))


def meters_words(readings: Sequence[HandReading], checks: Sequence[MeterCheck]) -> list[str]:
    """Say of each meter of one round whether it was checked before and after, and how far off.

    Parameters
    ----------
    readings : sequence of HandReading
        Those of the round that count, one or more.
    checks : sequence of MeterCheck
        Of any round.
    """
    name = readings[0].setting.round
    said = []
    for meter in dict.fromkeys(reading.setting.meter for reading in readings):
        own = [reading for reading in readings if reading.setting.meter == meter]
        of_it = [check for check in checks if (check.round, check.meter) == (name, meter)]
        parts = [_when_words(of_it, when, own) for when in WHEN]
        said.append(f"{meter}: {'; '.join(parts)}.")
    return said


def checked(readings: Sequence[HandReading], checks: Sequence[MeterCheck], *, when: str) -> bool:
    """Whether every meter of a round was checked before it, or after it."""
    of_it = {
        (check.round, check.meter)
        for check in checks
        if check.when == when and not _at_odds(check, readings)
    }
    return all((each.setting.round, each.setting.meter) in of_it for each in readings)


def rounds_over(readings: Iterable[HandReading], checks: Sequence[MeterCheck]) -> set[str]:
    """The rounds each of whose meters was checked after it."""
    return {name for name, own in rounds_of(readings).items() if checked(own, checks, when=AFTER)}


def _when_words(checks: Sequence[MeterCheck], when: str, readings: Sequence[HandReading]) -> str:
    of_it = [check for check in checks if check.when == when]
    if not of_it:
        return f"not checked on a test block {when} the round"
    said = []
    for check in of_it:
        odd = " (by its time it was not)" if _at_odds(check, readings) else ""
        said.append(f"{check.words} {when} the round{odd}")
    return "; ".join(said)


def _at_odds(check: MeterCheck, readings: Sequence[HandReading]) -> bool:
    """Whether a check is said to be before or after readings of which its time says otherwise."""
    own = [r.at_ms for r in readings if r.setting.meter == check.meter]
    if not own:
        return False
    return check.at_ms > min(own) if check.when == BEFORE else check.at_ms < max(own)


def _both(content: Mapping[str, Json]) -> tuple[Shown, Shown]:
    unit = str(content["unit"])
    return (
        Shown(float(str(content["nominal"])), unit),
        Shown(float(str(content["shown"])), unit, str(content["bound"])),
    )
