"""The table of the rig file that declares limits."""

from dataclasses import replace
from typing import Annotated

from pydantic import Field

from longsoak.core.phases import LONGEST_NAME, WORDS
from longsoak.rigfile.words import (
    Finite,
    Name,
    NotNegative,
    Table,
    Text,
    Words,
    measured,
    named,
    one_of,
    reference,
)
from longsoak.vocabulary.rig import (
    Above,
    Limit,
    LimitQuantity,
    Rule,
    Side,
    Statistic,
    Zone,
)

_Span = Annotated[tuple[NotNegative, NotNegative], Field(strict=False)]  # TOML has lists only
_PhaseName = Annotated[Text, Field(max_length=LONGEST_NAME)]


def _span(what: str, example: str) -> Words:
    return Words(f"the least and the most millimetres {what}, each 0 or more", example)


def _bound(example: str) -> Words:
    return Words("a bare number in the unit of its quantity", example)


class LimitTable(Table):
    """``[[limits]]``."""

    name: Annotated[Name | None, named("a name of this limit", "the panel stays dry")] = None
    quantity: Annotated[
        Annotated[LimitQuantity, Field(strict=False)] | None, one_of(LimitQuantity)
    ] = None
    bay: Annotated[Name | None, reference("a bay", "cork-lime")] = None
    layer: Annotated[Name | None, reference("a layer", "timber panel")] = None
    depth: Annotated[_Span | None, _span("from the wet face", "[60, 240]")] = None
    height: Annotated[_Span | None, _span("above the underside", "[0, 200]")] = None
    at_most: Annotated[Finite | None, _bound("20")] = None
    at_least: Annotated[Finite | None, _bound("5")] = None
    above: Annotated[Annotated[Above, Field(strict=False)] | None, one_of(Above, needed=False)] = (
        None
    )
    statistic: Annotated[
        Annotated[Statistic, Field(strict=False)] | None, one_of(Statistic, needed=False)
    ] = None
    window: Annotated[
        Annotated[Finite, Field(gt=0, le=8760)] | None,
        measured("hours as a bare number, more than 0 and up to 8760", 24, unit="h", needed=False),
    ] = None
    longest: Annotated[
        Annotated[Finite, Field(ge=0, le=87_600)] | None,
        measured("hours in all as a bare number, 0 to 87600", 48, unit="h", needed=False),
    ] = None
    coverage: Annotated[
        Annotated[Finite, Field(gt=0, le=1)] | None,
        Words("a share of the windows as a bare number, more than 0 and up to 1", "0.9"),
    ] = None
    phases: Annotated[
        Annotated[list[_PhaseName], Field(min_length=1)] | None,
        Words(
            f"a list of kinds of phase ({', '.join(WORDS)}) or of names that phases will have, of "
            f"up to {LONGEST_NAME} characters",
            '["wetting"]',
        ),
    ] = None
    rule: Annotated[Annotated[Rule, Field(strict=False)] | None, one_of(Rule, needed=False)] = None
    risk: Annotated[
        Annotated[Finite, Field(gt=0, le=0.5)] | None,
        Words("a probability as a bare number, more than 0 and up to 0.5", "0.05"),
    ] = None
    source: Annotated[
        Text | None, Words("where the limit is from, in words", '"common practice"')
    ] = None


def zone_of(table: LimitTable) -> Zone:
    """The part of the specimen a table speaks of."""
    return Zone(table.bay, table.layer, table.depth, table.height)


def limit_of(table: LimitTable) -> Limit:
    """The limit, with what the table leaves out as usual.

    Parameters
    ----------
    table : LimitTable
        Checked.

    Raises
    ------
    TypeError
        It has no name, quantity or bound: a check is missing.
    """
    most = table.at_most is not None
    bound = table.at_most if most else table.at_least
    if table.name is None or table.quantity is None or bound is None:
        raise TypeError("a limit was not checked")
    usual = Limit(
        name=table.name,
        quantity=table.quantity,
        side=Side.AT_MOST if most else Side.AT_LEAST,
        bound=bound,
        statistic=table.statistic or (Statistic.HIGHEST if most else Statistic.LOWEST),
        zone=zone_of(table),
        above=table.above,
        source=table.source,
    )
    said = {
        key: value
        for key in ("window", "longest", "coverage", "rule", "risk")
        if (value := getattr(table, key)) is not None
    }
    return replace(
        usual, **said, phases=usual.phases if table.phases is None else tuple(table.phases)
    )
