"""Curves from resistance to moisture content: those that ship, and those a rig file adds."""

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from itertools import combinations, pairwise
from math import inf, sqrt
from types import MappingProxyType

from longsoak.core.relations import relation_of
from longsoak.rigfile.curvetable import WETTEST, CurveTable
from longsoak.rigfile.draft import Draft
from longsoak.rigfile.reading import Part, words_of
from longsoak.rigfile.report import MISSING, Report, number
from longsoak.rigfile.words import given, is_name
from longsoak.vocabulary.curve import Correction, Curve, Form, MadeFor

_FALLS = {  # what makes moisture content fall with rising resistance
    Form.DOUBLE_LOG: "a b above 0",
    Form.MEGOHM_LOG: "an a below 0",
    Form.POWER: "a b below 0",
}


@cache
def shipped() -> Mapping[str, Curve]:
    """Read the curves that come with Longsoak, by name, from ``curves.toml`` beside this module."""
    text = files("longsoak.rigfile").joinpath("curves.toml").read_text(encoding="utf-8")
    tables = tomllib.loads(text)["curves"]
    return MappingProxyType(
        {name: curve(name, CurveTable.model_validate(table)) for name, table in tables.items()}
    )


def curve(name: str, table: CurveTable) -> Curve:
    """Turn a checked table into a curve; what it leaves out follows from what it says."""
    made_for = table.made_for or MadeFor.WOOD
    plain = Correction.INDICATED if made_for is MadeFor.WOOD else Correction.NONE
    points = tuple(table.points or ())
    covariance = None
    if table.covariance is not None:
        first, second = table.covariance
        covariance = (first, second)
    return Curve(
        name=name,
        form=table.form or Form.TABLE,
        made_for=made_for,
        lowest=points[0][0] if table.lowest is None else table.lowest,
        highest=points[-1][0] if table.highest is None else table.highest,
        reference_temperature=given(table.reference_temperature),
        correction=table.correction or plain,
        source=given(table.source),
        fitted_on=table.fitted_on or "not said",
        points=points,
        coefficients=table.coefficients or (),
        species=table.species or (1.0, 0.0),
        per_kelvin=table.per_kelvin or 0.0,
        uncertainty=table.uncertainty or 0.0,
        covariance=covariance,
        residual=table.residual or 0.0,
        freedom=table.freedom,
        per_kelvin_uncertainty=table.per_kelvin_uncertainty or 0.0,
        per_kelvin_covariance=table.per_kelvin_covariance or (0.0, 0.0),
    )


def check_curves(draft: Draft, *, report: Report) -> None:
    """Note curves under a name they can't have, and those a reading can't be found on."""
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
        if (part.table.form or Form.TABLE) is Form.TABLE:
            _check_table(part, report=report)
        else:
            _check_formula(part, report=report)
        _check_uncertainty(part, report=report)
        if part.table.species is not None and part.table.species[0] <= 0:
            report.add(
                (*part.path, "species"),
                list(part.table.species),
                expected="the two species coefficients a and b, a more than 0",
                remedy="Write species = [1.0, 0.0] for Douglas-fir.",
            )


def _check_table(part: Part[CurveTable], *, report: Report) -> None:
    _need(part, "points", 'pairs as a curve of the form "table" has them', report=report)
    _forbid(
        part, "coefficients", 'nothing here: the form "table" goes by its points', report=report
    )
    points = part.table.points or []
    for index, (moisture, resistance) in enumerate(points):
        if not (0 < moisture <= WETTEST and resistance > 0):
            report.add(
                (*part.path, "points", index),
                [moisture, resistance],
                expected=f"a moisture content above 0 and up to {WETTEST} %, "
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


def _check_formula(part: Part[CurveTable], *, report: Report) -> None:
    table, form = part.table, given(part.table.form)
    _forbid(part, "points", f'nothing here: the form "{form}" goes by coefficients', report=report)
    _need(part, "coefficients", f'the two that the form "{form}" has', report=report)
    for key in ("lowest", "highest"):
        _need(part, key, f"the {key} moisture content in % that it was found on", report=report)
    if table.coefficients is None or table.lowest is None or table.highest is None:
        return
    a, b = table.coefficients
    falls = {Form.DOUBLE_LOG: b > 0, Form.MEGOHM_LOG: a < 0, Form.POWER: b < 0}[form]
    if not falls:
        report.add(
            (*part.path, "coefficients"),
            [a, b],
            expected=f"{_FALLS[form]}, or wood would read wetter the better it insulates",
            remedy="Check the order and the signs: they are a, then b.",
        )
    elif not table.lowest < table.highest:
        report.add(
            (*part.path, "highest"),
            table.highest,
            expected=f"more than lowest, which is {number(table.lowest)} %",
            remedy="Exchange the two, or correct one.",
        )
    elif not _within_any_meter(part):
        report.add(
            (*part.path, "coefficients"),
            [a, b],
            expected=f"a resistance of 1 Ohm to 1e18 Ohm between {number(table.lowest)} % and "
            f"{number(table.highest)} %",
            remedy="Check them against the form, which takes the resistance in Ohm.",
        )


def _within_any_meter(part: Part[CurveTable]) -> bool:
    made = curve("", part.table.model_copy(update={"source": "", "reference_temperature": 20.0}))
    relation = relation_of(made)
    try:
        ends = [relation.log_resistance(float(u)) for u in (made.highest, made.lowest)]
    except (OverflowError, ValueError):
        return False
    return 0.0 < ends[0] < ends[1] < 18.0


def _check_uncertainty(part: Part[CurveTable], *, report: Report) -> None:
    table = part.table
    by_kelvin = table.correction in (Correction.RESISTANCE, Correction.MOISTURE)
    if by_kelvin:
        _need(
            part, "per_kelvin", f'what the correction "{table.correction}" goes by', report=report
        )
    elif "correction" not in part.keys or table.correction is not None:
        says = 'nothing here unless correction is "logarithm of resistance" or "moisture"'
        for key in ("per_kelvin", "per_kelvin_uncertainty", "per_kelvin_covariance"):
            _forbid(part, key, says, report=report)
    if "per_kelvin_covariance" in part.keys and by_kelvin:
        _check_shift(part, report=report)
    if "covariance" not in part.keys:
        _need(
            part,
            "uncertainty",
            "the curve's standard uncertainty for one piece, in % MC",
            report=report,
        )
        return
    _forbid(part, "uncertainty", "nothing here: covariance and residual say it", report=report)
    _need(
        part, "residual", "the scatter about the fitted line, beside its covariance", report=report
    )
    if table.covariance is not None:
        (c_aa, c_ab), (c_ba, c_bb) = table.covariance
        if c_ab != c_ba or c_aa < 0 or c_bb < 0 or c_aa * c_bb < c_ab * c_ab:
            report.add(
                (*part.path, "covariance"),
                [list(row) for row in table.covariance],
                expected="a symmetric matrix with variances of 0 or more on its diagonal",
                remedy="Copy it from the fit that gave the coefficients.",
            )


def _check_shift(part: Part[CurveTable], *, report: Report) -> None:
    """Note a covariance of the shift per kelvin that nothing it belongs to stands beside."""
    table = part.table
    for key in ("covariance", "per_kelvin_uncertainty"):
        _need(part, key, "what per_kelvin_covariance belongs to", report=report)
    if None in (table.covariance, table.per_kelvin_uncertainty, table.per_kelvin_covariance):
        return
    (c_aa, c_ab), (_, c_bb) = given(table.covariance)
    u_k, (c_ka, c_kb) = given(table.per_kelvin_uncertainty), given(table.per_kelvin_covariance)
    variances = c_aa, c_bb, u_k * u_k
    covariances = c_ab, c_ka, c_kb
    sizes = (sqrt(max(0.0, v * w)) for v, w in combinations(variances, 2))
    r = [
        c / size if size else (inf if c else 0.0)
        for c, size in zip(covariances, sizes, strict=True)
    ]
    # Those of one fit may be as good as tied, so rounding must not refuse them.
    rest = 1.0 + 2.0 * r[0] * r[1] * r[2] - sum(v * v for v in r)
    if max(map(abs, r)) > 1.0 + 1e-9 or rest < -1e-9:
        report.add(
            (*part.path, "per_kelvin_covariance"),
            [c_ka, c_kb],
            expected="no more than covariance and per_kelvin_uncertainty allow",
            remedy="Copy all three from the fit that gave the coefficients.",
        )


def _need(part: Part[CurveTable], key: str, what: str, *, report: Report) -> None:
    if key not in part.keys:
        words = dict(words_of(CurveTable))[key]
        report.add(
            (*part.path, key),
            MISSING,
            expected=what,
            remedy=f"Write for example {key} = {words.example}.",
        )


def _forbid(part: Part[CurveTable], key: str, what: str, *, report: Report) -> None:
    if key in part.keys:
        found = getattr(part.table, key)
        report.add(
            (*part.path, key),
            list(found) if isinstance(found, tuple) else found,
            expected=what,
            remedy="Remove it.",
        )
