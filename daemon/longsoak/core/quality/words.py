"""What is wrong with a sensor, in one plain sentence with its evidence. Pure."""

from collections.abc import Sequence
from math import isnan

from longsoak.core.wording import age_words, day_words
from longsoak.vocabulary.rig import Band, Kind, Probe

_MORE = {Kind.PINS: ("wetter", "drier"), Kind.HUMIDITY: ("damper", "drier")}
_WET = (
    " Leakage through wet leads, water along the pins and water in a crack all look so: it counts "
    "as wet until a repeat, a hand reading or a core says otherwise"
)


def open_words(name: str) -> str:
    """A wire that is open."""
    return (
        f"{name}: the wire is open, or the meter can't tell it from one: three readings on end "
        "found no resistance to measure"
    )


def short_words(name: str) -> str:
    """A pair of pins that is shorted, or in soaked wood."""
    return (
        f"{name}: three readings on end found almost no resistance, which is a short circuit or "
        "soaked wood: it counts as wet until a hand reading or a core says otherwise"
    )


def stuck_words(probe: Probe, seconds: float) -> str:
    """A probe that gives one and the same raw value."""
    return f"{probe.name}: the same raw value, to the last digit, for {age_words(seconds)}"


def outside_words(probe: Probe, value: float, band: Band) -> str:
    """A probe that reads what nobody expected on such a day."""
    high = value > band.high
    than = f"above {band.high:g}" if high else f"below {band.low:g}"
    wet = f".{_WET}" if high and probe.kind is Kind.PINS else ""
    return (
        f"{probe.name}: {value:.1f} {probe.unit_words}, {than}, which is the end of the band "
        f"expected on {_days(band)}, three readings on end{wet}"
    )


def sluggish_words(probe: Probe, band: Band) -> str:
    """A probe that moves less than somebody expected."""
    return (
        f"{probe.name}: moved by less than {band.moves:g} {probe.unit_words} in a day, the least "
        f"that is expected on {_days(band)}"
    )


def _days(band: Band) -> str:
    if band.last is None:
        return "any day of the test" if band.first == 1 else f"days from {band.first} on"
    return f"days {band.first} to {band.last} of the test"


def noise_words(probe: Probe, noise: float, usual: float) -> str:
    """A probe that wavers more than it did."""
    why = ": a loose pin or plug wavers so" if probe.kind is Kind.PINS else ""
    return (
        f"{probe.name}: wavers by {noise:.2g} {probe.unit_words} from reading to reading, "
        f"{noise / usual:.0f} times as much as in its first days{why}"
    )


def step_words(probe: Probe, change: float, since_ms: int, names: Sequence[str]) -> str:
    """A probe that went away from its neighbours within a day."""
    return (
        f"{probe.name}: went {_by(probe, change)} than {_names(names)} within a day, "
        f"{day_words(since_ms)}{_caution(probe, change, names)}"
    )


def drift_words(
    probe: Probe, change: float, month: Sequence[float], since_ms: int, names: Sequence[str]
) -> str:
    """A probe that goes away from its neighbours, and how fast (with the ends of an interval)."""
    slope, low, high = month
    return (
        f"{probe.name}: has gone {_by(probe, change)} than {_names(names)} since "
        f"{day_words(since_ms)}, {slope:+.1f} ({low:+.1f} to {high:+.1f}) {probe.unit_words} in "
        f"30 days{_caution(probe, change, names)}"
    )


def soaks_words(probe: Probe, change: float, days: int, names: Sequence[str]) -> str:
    """A pair that gets wetter by itself."""
    return (
        f"{probe.name}: got {change:.1f} {probe.unit_words} wetter within {days} days than it was "
        f"going to, and {_names(names)} did not.{_WET}"
    )


def polarised_words(pair: Probe, differ: float, usual: float) -> str:
    """A pair whose two polarities differ."""
    return (
        f"{pair.name}: its two polarities differ by {differ:.0f} mV, {usual:.0f} mV in its first "
        "days: one of its electrodes corrodes, or a current comes in from elsewhere"
    )


def wicking_words(deep: Probe, near: Probe, risen: float, wetter: float) -> str:
    """A pair that got wetter than one that is nearer to the water."""
    nearer = (deep.depth or 0.0) - (near.depth or 0.0)
    return (
        f"{deep.name}: {risen:.1f} {deep.unit_words} wetter than in its first days, and "
        f"{wetter:.1f} wetter than {near.name}, {nearer:g} mm nearer to the wet face: water that "
        "runs along pins or leads, or comes from the dry side, looks so. It counts as wet until a "
        "repeat, a hand reading or a core says otherwise"
    )


def condensation_words(pair: Probe, surface: Probe, hours: int, least: float) -> str:
    """A pair behind a dry face on which the air of the room may have condensed."""
    above = f"{least:.1f} K above" if least > 0 else f"{-least:.1f} K below"
    return (
        f"{pair.name}: {surface.name} was at the dew point of the room, or in doubt of it, for "
        f"{hours} h of the day, {above} it at worst: wetness at the dry face may be condensation, "
        "and is no leak through the specimen until that is ruled out"
    )


def cross_talk_words(probe: Probe, other: str, count: int) -> str:
    """Two pairs that jump together."""
    return (
        f"{probe.name}: jumped {count} times in one day in the same scans as {other}, and no other "
        "pair did: do their wires touch, or share one?"
    )


def front_end_words(probe: Probe, off: float, month: float, since_ms: int) -> str:
    """A reference resistor that is read otherwise than it was."""
    fast = "" if isnan(month) else f", by {month:+.1f} % in 30 days"
    return (
        f"{probe.name}: read {off:+.2f} % off its nominal value, and moving since "
        f"{day_words(since_ms)}{fast}: whatever is read by the same instrument is off alike"
    )


def _by(probe: Probe, change: float) -> str:
    more, less = _MORE.get(probe.kind, ("more", "less"))
    return f"{abs(change):.1f} {probe.unit_words} {more if change > 0 else less}"


def _caution(probe: Probe, change: float, names: Sequence[str]) -> str:
    said = "; which of the two is right can't be told" if len(names) == 1 else ""
    if probe.kind is Kind.PINS and change < 0:
        said += ": pins that corrode or work loose read so"
    return said + (f".{_WET}" if probe.kind is Kind.PINS and change > 0 else "")


def _names(names: Sequence[str]) -> str:
    shown = list(names[:3])
    if len(names) > len(shown):
        shown[-1:] = [f"{len(names) - len(shown) + 1} others"]
    if len(shown) < 2:
        return "".join(shown)
    return f"{', '.join(shown[:-1])} and {shown[-1]}"
