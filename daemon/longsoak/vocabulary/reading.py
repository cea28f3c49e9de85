"""A converted, flagged reading, and the scan it came in."""

from dataclasses import dataclass
from typing import Self

from longsoak.vocabulary.flags import Flag, Reason


@dataclass(frozen=True, slots=True)
class Reading:
    """One probe's reading, as the edges of the house see it.

    `raw` in `raw_unit` (UCUM) is what the instrument gave; `value` in the unit of the probe's kind
    and its standard `uncertainty` are None where nothing could be converted. `kept` is the same
    as the record has it, where a flag set by hand lies over it.
    """

    probe: str
    utc_ms: int
    raw: float | None
    raw_unit: str
    value: float | None
    uncertainty: float | None
    flag: Flag
    reason: Reason
    kept: Self | None = None

    @property
    def as_kept(self) -> Self:
        """It without flags set by hand; a value that is a bound is one under any flag."""
        return self.kept or self


@dataclass(frozen=True, slots=True)
class Scan:
    """One pass of one bus as parallel tuples, one entry per probe, in the order asked.

    One object per reading halves the speed of the whole path; `Reading` is for the edges. NaN
    stands for "none" in `raw`, `values` and `uncertainties`.
    """

    bus: str
    utc_ms: int
    boottime_ms: int
    synchronised: bool
    probes: tuple[str, ...]
    units: tuple[str, ...]
    raw: tuple[float, ...]
    values: tuple[float, ...]
    uncertainties: tuple[float, ...]
    flags: tuple[Flag, ...]
    reasons: tuple[Reason, ...]
