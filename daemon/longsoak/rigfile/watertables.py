"""Tables of the rig file about the water: what stands in it, and the evaporation pan."""

from typing import Annotated

from pydantic import Field

from longsoak.rigfile.words import (
    Finite,
    Name,
    NotNegative,
    Positive,
    Table,
    Words,
    measured,
    reference,
)


class BlockTable(Table):
    """One of the reservoir's ``blocks``: things alike that take room in the water."""

    count: Annotated[
        Annotated[int, Field(ge=1, le=1000)] | None, Words("a whole number, 1 to 1000", "4")
    ] = None
    length: Annotated[
        Positive | None, measured("millimetres as a bare number, more than 0", 50, needed=False)
    ] = None
    breadth: Annotated[
        Positive | None, measured("millimetres as a bare number, more than 0", 50, needed=False)
    ] = None
    diameter: Annotated[
        Positive | None, measured("millimetres as a bare number, more than 0", 60, needed=False)
    ] = None
    start: Annotated[
        NotNegative | None,
        Field(alias="from"),
        measured("millimetres above the reservoir's floor as a bare number, 0 or more", 0),
    ] = None
    end: Annotated[
        Positive | None,
        Field(alias="to"),
        measured("millimetres above the reservoir's floor as a bare number, more than 0", 30),
    ] = None


class EvaporationPanTable(Table):
    """``[evaporation_pan]``."""

    level: Annotated[
        Name | None, reference('a probe of kind "level" of its own', "pan level", needed=True)
    ] = None
    length: Annotated[
        Positive | None, measured("millimetres as a bare number, more than 0", 300, needed=False)
    ] = None
    breadth: Annotated[
        Positive | None, measured("millimetres as a bare number, more than 0", 200, needed=False)
    ] = None
    diameter: Annotated[
        Positive | None, measured("millimetres as a bare number, more than 0", 250, needed=False)
    ] = None
    factor: Annotated[
        Annotated[Finite, Field(gt=0, le=10)] | None,
        Words("a bare number, more than 0 and up to 10", "0.8"),
    ] = None
    factor_uncertainty: Annotated[
        Annotated[Finite, Field(ge=0, le=5)] | None,
        Words("a standard uncertainty of the factor, 0 to 5", "0.1"),
    ] = None
