"""``[[outputs]]`` of the rig file: its keys, and what they make."""

from math import inf
from typing import Annotated

from pydantic import Field

from longsoak.rigfile.reading import Part
from longsoak.rigfile.words import (
    Finite,
    Name,
    Table,
    Words,
    given,
    measured,
    named,
    one_of,
    reference,
)
from longsoak.vocabulary.rig import Output, OutputKind

LONGEST = 3600.0  # s: an hour of water is more than anybody attends to


class OutputTable(Table):
    """``[[outputs]]``."""

    name: Annotated[Name | None, named("the output's name", "stop lamp")] = None
    kind: Annotated[Annotated[OutputKind, Field(strict=False)] | None, one_of(OutputKind)] = None
    bus: Annotated[Name | None, reference("a bus in this file", "panel", needed=True)] = None
    address: Annotated[
        dict[str, object] | None,
        Words("a table that says where on its bus it is", "{ line = 22 }", needed=True),
    ] = None
    longest: Annotated[
        Annotated[Finite, Field(ge=1, le=LONGEST)] | None,
        measured("seconds it may be on at a time, 1 to 3600", 300, unit="s", needed=False),
    ] = None


def outputs_of(parts: tuple[Part[OutputTable], ...]) -> tuple[Output, ...]:
    """What checked tables make."""
    return tuple(
        Output(
            name=given(part.table.name),
            kind=given(part.table.kind),
            bus=given(part.table.bus),
            address=dict(given(part.table.address)),
            longest=inf if part.table.longest is None else part.table.longest,
        )
        for part in parts
    )
