"""Values, ages and times in words, the same on pages, in mails and in the terminal."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from difflib import get_close_matches
from typing import Literal

from longsoak.vocabulary.flags import AT_LEAST, AT_MOST, Flag, Reason
from longsoak.vocabulary.happening import RunGap
from longsoak.vocabulary.rig import Bay, Kind, Probe, Reservoir, Rig

DECIMALS = {
    Kind.PINS: 1,
    Kind.HUMIDITY: 0,
    Kind.TEMPERATURE: 1,
    Kind.LEVEL: 0,
    Kind.FLOW: 2,  # a drip rail takes some tenths of a litre
    Kind.PUMP_CURRENT: 2,
    Kind.POLARISATION: 0,
    Kind.SCALE: 1,
    Kind.CONDUCTIVITY: 0,
    Kind.PH: 1,
    Kind.BUTTON: 0,
}
AHEAD_S = 2.0  # so far ahead of the clock is no news: two clocks, or one that is being slewed
_BEYOND = {"at least": "> ", "at most": "< ", None: ""}
_BESIDE = ("G", "M", "k")
_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""))


def value_words(kind: Kind, value: float | None, reason: Reason) -> str:
    """A converted value without its unit: "17.8", "> 25.0", "up", "10.02 M", or "none".

    A moisture content at an end of its curve is told as beyond it, for that is all that is known.
    """
    if value is None:
        return "none"
    if kind is Kind.FLOAT:
        return "up" if value else "down"
    if kind is Kind.BUTTON:
        return "pressed" if value else "not pressed"
    if kind is Kind.REFERENCE:
        return ohm_words(value)
    beyond = _BEYOND[bound_words(kind, value, reason)]
    return f"{beyond}{value:z.{DECIMALS[kind]}f}"


def bound_words(
    kind: Kind, value: float | None, reason: Reason
) -> Literal["at least", "at most"] | None:
    """Whether a moisture content is only a bound, "at least" or "at most"; None if it is a value.

    A bound has no uncertainty: the truth may lie any way beyond it.
    """
    if kind is not Kind.PINS or value is None:
        return None
    return "at least" if reason in AT_LEAST else "at most" if reason in AT_MOST else None


def ohm_words(value: float) -> str:
    """A resistance with four figures and a prefix for its Ω: "10.02 M", "412.0 k", "open"."""
    if value > 1e11:
        return "open"
    scale, prefix = next((p for p in _PREFIXES if abs(value) >= p[0]), _PREFIXES[-1])
    return f"{value / scale:.4g} {prefix}".rstrip()


def unit_beside(value: str, unit: str) -> tuple[str, str]:
    """A value and its unit for columns of their own: ("10.02 M", "Ω") as ("10.02", "MΩ")."""
    number, _, prefix = value.partition(" ")
    return (number, f"{prefix}{unit}") if prefix in _BESIDE else (value, unit)


def age_words(seconds: float) -> str:
    """How old: "38 s", "12 min", "2 h 10", "3 days"; "2 h 10 ahead" of the clock if negative.

    A wall clock that is set back makes what was read before look as if it were yet to come. Told
    as "0 s" it would pass for new.
    """
    if seconds < -AHEAD_S:
        return f"{age_words(-seconds)} ahead"
    seconds = max(0.0, seconds)
    if seconds < 100:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60:02d}"
    return f"{seconds / 86400:.0f} days"


def ago_words(seconds: float) -> str:
    """How long ago, for a sentence: "2 h 10 ago", or "2 h 10 ahead of the clock"."""
    return f"{age_words(seconds)} {'of the clock' if seconds < -AHEAD_S else 'ago'}"


def gap_length_words(gap: RunGap) -> str:
    """How long nothing was measured: "3 min", and whose word that is if it can't be vouched for."""
    if gap.length_ms is not None:
        return age_words(gap.length_ms / 1000)
    if gap.to_utc_ms <= gap.from_utc_ms:
        return "a time that is not known, for the clock was not synchronised"
    by_clock = age_words((gap.to_utc_ms - gap.from_utc_ms) / 1000)
    return f"{by_clock} by a clock that was not synchronised"


def time_words(utc_ms: int) -> str:
    """A time as "23 Sep 2026, 12:04:31 UTC"."""
    when = datetime.fromtimestamp(utc_ms / 1000, UTC)
    return f"{when.day} {when:%b %Y, %H:%M:%S} UTC"


def day_words(utc_ms: int) -> str:
    """A day as "22 Sep 2026"."""
    when = datetime.fromtimestamp(utc_ms / 1000, UTC)
    return f"{when.day} {when:%b %Y}"


def rfc3339(utc_ms: int) -> str:
    """A time as RFC 3339 in UTC with milliseconds."""
    when = datetime.fromtimestamp(utc_ms // 1000, UTC).isoformat()[:19]
    return f"{when}.{utc_ms % 1000:03d}Z"


def flag_words(flag: Flag, reason: Reason) -> str:
    """A flag with its reason: "pass", "fail: open circuit"."""
    return f"{flag.word}: {reason.words}" if reason.words else flag.word


def with_noun(count: int, one: str, many: str | None = None) -> str:
    """A number with its noun: "1 probe", "34 probes", "2 buses"."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def meant_words(written: str, known: Iterable[str]) -> str:
    """Which of the known names somebody may have meant, as a question; empty if none is near."""
    near = get_close_matches(written, list(known), n=3, cutoff=0.5)
    return f"Was {' or '.join(map(repr, near))} meant?" if near else ""


def place_words(probe: Probe, *, bays: Sequence[Bay], reservoir: Reservoir | None) -> str:
    """Where a probe sits: "30 mm deep, 60 mm high, panel"; empty where no place is declared.

    Across is said only away from the middle of its bay, where most are.
    """
    bay = next((bay for bay in bays if bay.name == probe.bay), None)
    middle = None if bay is None else (bay.start + bay.end) / 2
    across = None if probe.across == middle else probe.across
    lengths = (("deep", probe.depth), ("high", probe.height), ("across", across))
    said = [f"{length:g} mm {way}" for way, length in lengths if length is not None]
    said += [words for words in (probe.bay, probe.place) if words]
    if reservoir is not None and probe.name in (reservoir.level, reservoir.float_switch):
        return ", ".join(said) or reservoir.name
    return ", ".join(said)


def where_words(probe: Probe, rig: Rig) -> str:
    """Where a probe sits, or the bus it is on where no place is declared."""
    place = place_words(probe, bays=rig.specimen.bays, reservoir=rig.reservoir)
    return place or f"on {probe.bus}"
