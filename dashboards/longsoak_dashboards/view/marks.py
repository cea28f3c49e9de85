"""Each probe as it stands now: value, unit, flag, age, in words and with its shape's name."""

from collections.abc import Mapping
from dataclasses import dataclass

from markupsafe import Markup

from longsoak.core.wording import (
    DECIMALS,
    age_words,
    bound_words,
    flag_words,
    ohm_words,
    value_words,
)
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Kind, Probe, Quantity, Rig
from longsoak_dashboards.view.sentences import aged

_RAW_UNITS = {"Cel": "°C", "1": "", "[arb'U]": ""}
_SHORT = {Flag.NOT_EVALUATED: "not judged"}  # as the drawing has room for
_OF = {  # as short as the drawing has room for
    Quantity.MOISTURE_CONTENT: "MC",
    Quantity.WOOD_EQUIVALENT: "WME",
    Quantity.DOWEL: "dowel",
}
LOOKS_BACK_H = 24  # how far back the last good value of a silent probe is looked for


@dataclass(frozen=True, slots=True)
class Mark:
    """One probe as the sheets show it.

    `shape` is the number of the flag whose shape stands at it, 0 before its first reading. `word`
    is empty where all is well. `plus_minus` is twice the standard uncertainty, without a unit.
    """

    probe: Probe
    shape: int
    value: str
    unit: str
    plus_minus: str
    age: str
    word: str
    flag: str
    raw: str
    struck: bool
    wants_a_look: bool
    age_s: float | None = None  # what `age` says, where that is an age and not a bound

    @property
    def of(self) -> str:
        """What the value of a pair of pins is of, in short; empty for others and without one."""
        quantity = self.probe.quantity
        return "" if quantity is None or not self.unit else _OF[quantity]

    @property
    def counted(self) -> Markup | str:
        """`age`, which an open sheet counts on with."""
        return self.age if self.age_s is None else aged(self.age_s)

    @property
    def plain(self) -> bool:
        """Whether the value is a figure, and no bound or word."""
        return self.value.replace(".", "", 1).removeprefix("-").isdecimal()

    @property
    def spoken(self) -> str:
        """The mark as one line for a reader that can't see the drawing."""
        value = f"{self.value} {self.unit}".strip() if self.value != "none" else "none"
        return f"{self.probe.name}: {value}, {self.flag}, {self.age}"


def marks(
    rig: Rig,
    readings: Mapping[str, Reading],
    *,
    last_good_ms: Mapping[str, int | None],
    now_ms: int,
    unread: str = "not read yet",
) -> tuple[Mark, ...]:
    """Every probe of the rig, in the order of its file.

    Parameters
    ----------
    rig : Rig
        As its file declares it.
    readings : mapping of str to Reading
        The latest of each probe; a probe that has never been read is left out.
    last_good_ms : mapping of str to int or None
        For missing probes, when they last gave a value; None if not within `LOOKS_BACK_H`.
    now_ms : int
        UTC, ms since 1970.
    unread : str
        What is said of a probe without a reading.
    """
    return tuple(
        _mark(probe, readings[probe.name], last_good_ms, now_ms=now_ms)
        if probe.name in readings
        else Mark(probe, 0, "none", "", "", unread, "", unread, "", False, False)
        for probe in rig.probes
    )


def _mark(
    probe: Probe,
    reading: Reading,
    last_good_ms: Mapping[str, int | None],
    *,
    now_ms: int,
) -> Mark:
    seconds = (now_ms - reading.utc_ms) / 1000
    old: float | None = seconds
    if reading.flag is Flag.MISSING:
        good = last_good_ms.get(probe.name)
        old = None if good is None else (now_ms - good) / 1000
    has_value = reading.value is not None
    value = value_words(probe.kind, reading.value, reading.as_kept.reason)
    unit = probe.unit_words if has_value else ""
    if probe.kind is Kind.REFERENCE and has_value:
        value, _, prefix = value.partition(" ")
        unit = "" if value == "open" else f"{prefix}Ω"
    return Mark(
        probe=probe,
        shape=int(reading.flag),
        value=value,
        unit=unit,
        plus_minus=_plus_minus(probe.kind, reading),
        age=f"over {LOOKS_BACK_H} h" if old is None else age_words(old),
        word="" if reading.flag is Flag.PASS else _SHORT.get(reading.flag, reading.flag.word),
        flag=flag_words(reading.flag, reading.reason),
        raw=_raw(reading),
        struck=reading.flag is Flag.FAIL and has_value,
        wants_a_look=reading.flag in (Flag.SUSPECT, Flag.FAIL, Flag.MISSING),
        age_s=old,
    )


def _plus_minus(kind: Kind, reading: Reading) -> str:
    bound = bound_words(kind, reading.value, reading.as_kept.reason)
    if reading.value is None or not reading.uncertainty or bound:
        return ""
    doubled = 2 * reading.uncertainty
    if kind is Kind.REFERENCE:
        words = ohm_words(float(f"{doubled:.2g}"))
        return f"{words}{'' if words[-1].isalpha() else ' '}Ω"
    return f"{doubled:.{DECIMALS.get(kind, 1)}f}"


def _raw(reading: Reading) -> str:
    if reading.raw is None:
        return "none"
    if reading.raw_unit == "Ohm":
        words = ohm_words(reading.raw)
        return words if words == "open" else f"{words}{'' if words[-1].isalpha() else ' '}Ω"
    return f"{reading.raw:.5g} {_RAW_UNITS.get(reading.raw_unit, reading.raw_unit)}".strip()
