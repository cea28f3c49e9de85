"""The tables of the rig file that say how readings are judged."""

from typing import Annotated

from pydantic import Field

from longsoak.rigfile.words import Finite, Name, Positive, Table, Words, measured, reference
from longsoak.vocabulary.rig import Kind

_Day = Annotated[int, Field(ge=1, le=10_000)]
JUDGED_ALIKE = (Kind.PINS, Kind.HUMIDITY, Kind.TEMPERATURE)  # that have neighbours and thresholds
_Threshold = Annotated[
    Positive | None, Words("a bare number in the unit of its kind, more than 0", "1.5")
]


class BandTable(Table):
    """``[[bands]]``."""

    probe: Annotated[Name | None, reference("a probe", "C 30/60", needed=True)] = None
    days: Annotated[
        Annotated[tuple[_Day, _Day], Field(strict=False)] | None,
        Words("the first and the last day of the test, counted from 1", "[1, 30]"),
    ] = None
    low: Annotated[Finite | None, Words("a bare number in the unit of the probe", "8.0")] = None
    high: Annotated[Finite | None, Words("a bare number in the unit of the probe", "24.0")] = None
    moves: Annotated[
        Positive | None, Words("a bare number in the unit of the probe, more than 0", "0.2")
    ] = None


class ChecksTable(Table):
    """``[[checks]]``."""

    probe: Annotated[Name | None, reference("a probe", "C 30/60")] = None
    kind: Annotated[
        Annotated[Kind, Field(strict=False)] | None,
        Words(f"one of {', '.join(JUDGED_ALIKE)}", '"pins"', choices=JUDGED_ALIKE),
    ] = None
    spike: _Threshold = None
    step: _Threshold = None
    rate: Annotated[
        Positive | None, Words("a bare number in the unit of its kind, an hour, above 0", "12")
    ] = None
    flat: Annotated[
        Positive | None, measured("hours as a bare number, more than 0", 24, unit="h", needed=False)
    ] = None
    apart: _Threshold = None
