"""Curves from resistance to moisture content: those that ship, and those a rig file adds."""

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from itertools import pairwise
from types import MappingProxyType

from longsoak.rigfile.draft import Draft
from longsoak.rigfile.report import Report, number
from longsoak.rigfile.tables import CurveTable
from longsoak.rigfile.words import given, is_name
from longsoak.vocabulary.rig import Curve

_WETTEST = 200  # % moisture content; above that a wooden specimen is more water than its pores hold


@cache
def shipped() -> Mapping[str, Curve]:
    """Read the curves that come with Longsoak, by name, from ``curves.toml`` beside this module."""
    text = files("longsoak.rigfile").joinpath("curves.toml").read_text(encoding="utf-8")
    tables = tomllib.loads(text)["curves"]
    return MappingProxyType(
        {name: curve(name, CurveTable.model_validate(table)) for name, table in tables.items()}
    )


def curve(name: str, table: CurveTable) -> Curve:
    """Turn a checked table into a curve."""
    return Curve(
        name=name,
        reference_temperature=given(table.reference_temperature),
        uncertainty=given(table.uncertainty),
        points=tuple(given(table.points)),
        source=given(table.source),
    )


def check_curves(draft: Draft, *, report: Report) -> None:
    """Note curves under a name they can't have, and points a reading can't be found between."""
    for name, part in draft.curves.items():
        if not is_name(name):
            report.add(
                part.path,
                name,
                expected="a curve's name of 1 to 60 characters on one line, no space at either end",
                remedy='Head it for example [curves."my fir"].',
            )
        if name in shipped():
            report.add(
                part.path,
                name,
                expected="a name that no shipped curve has, so that a reader knows which was used",
                remedy="Give the curve a name of its own, and write that at its probes.",
            )
        points = part.table.points or []
        for index, (moisture, resistance) in enumerate(points):
            if not (0 < moisture <= _WETTEST and resistance > 0):
                report.add(
                    (*part.path, "points", index),
                    [moisture, resistance],
                    expected=f"a moisture content above 0 and up to {_WETTEST} %, "
                    "and a resistance of more than 0 Ohm",
                    remedy="Correct the pair.",
                )
        for index, (before, after) in enumerate(pairwise(points), start=1):
            if not (after[0] > before[0] and after[1] < before[1]):
                report.add(
                    (*part.path, "points", index),
                    list(after),
                    expected=f"a moisture content of more than {number(before[0])} % and a "
                    f"resistance of less than {number(before[1])} Ohm, as in the pair before",
                    remedy="Sort the pairs by moisture content, and give each once.",
                )
                break
