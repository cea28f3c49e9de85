"""What the record keeps besides readings and alarms."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened: a bus came or went, the clock was set, a probe fell silent.

    `boottime_ms` is CLOCK_BOOTTIME when `utc_ms` was looked at; None until a chore's is taken in,
    and where nobody knows it.
    """

    utc_ms: int
    kind: str
    subject: str
    says: str
    boottime_ms: int | None = None


@dataclass(frozen=True, slots=True)
class RunGap:
    """Time without readings between two runs; `clean` if the earlier one ended on purpose.

    The two ends are the wall clock's, which may have been wrong at either. `length_ms` is what can
    be vouched for: counted on CLOCK_BOOTTIME within one boot, else between two synchronised
    clocks; None if neither is to be had, or not yet.
    """

    from_utc_ms: int
    to_utc_ms: int
    clean: bool
    length_ms: int | None
