"""Checks what belongs to a driver with the driver's own models, and says its mistakes plainly."""

import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import PurePath
from typing import get_args

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from longsoak.rigfile.lines import KeyPath
from longsoak.rigfile.report import (
    MISSING,
    Report,
    as_written,
    key_text,
    nearest,
    number,
    quoted,
    toml,
    unknown_key,
)

_TYPES = {
    "string": "text in quotes",
    "int": "a whole number",
    "float": "a number",
    "bool": "true or false, without quotes",
    "list": "a list in square brackets",
    "tuple": "a list in square brackets",
    "set": "a list in square brackets",
    "dict": "a table in braces",
    "model": "a table in braces",
    "path": "a path in quotes",
    "date": "a date without quotes",
    "datetime": "a date and time without quotes",
    "time": "a time without quotes",
}


def check_driver_table(
    model: type[BaseModel], table: Mapping[str, object], *, path: KeyPath, report: Report
) -> BaseModel | None:
    """Check a table with a driver's model; None after a mistake.

    Parameters
    ----------
    model : type of BaseModel
        A driver's ``Options`` or ``Address``. Where a field has a description, that is what a
        mistake in it says was expected; its first example goes into the remedy.
    table : Mapping
        What the rig file says.
    path : KeyPath
        Where `table` stands.
    report : Report
        Takes the mistakes.
    """
    try:
        return model.model_validate(dict(table))
    except ValidationError as error:
        details = [(_place(table, detail), detail) for detail in error.errors(include_url=False)]
        # A misspelt key is one mistake, not an unknown key and a missing one.
        noted = {
            (*place[:-1], meant)
            for place, detail in details
            if detail["type"] == "extra_forbidden" and (meant := _meant(model, place))
        }
        for place, detail in details:
            if place in noted:  # each member of a union says its own; the first will do
                continue
            noted.add(place)
            _note(model, table, detail, place=place, path=path, report=report)
    return None


def _meant(model: type[BaseModel], place: KeyPath) -> str | None:
    inner = _model_at(model, place[:-1])
    return nearest(str(place[-1]), _fields(inner)) if inner else None


def _place(table: Mapping[str, object], detail: ErrorDetails) -> KeyPath:
    # Besides keys and indices, pydantic names members of unions and the like; no file has those.
    place: KeyPath = ()
    here: object = table
    for part in detail["loc"]:
        level = dict(enumerate(here)) if isinstance(here, list) else here
        if isinstance(level, dict) and part in level:
            here = level[part]
        elif not (detail["type"] == "missing" and part is detail["loc"][-1]):
            continue
        place = (*place, part)
    return place


def _note(
    model: type[BaseModel],
    table: Mapping[str, object],
    detail: ErrorDetails,
    *,
    place: KeyPath,
    path: KeyPath,
    report: Report,
) -> None:
    keys = [part for part in place if isinstance(part, str)]  # an element is its list's matter
    inner = _model_at(model, tuple(keys[:-1]))
    fields = _fields(inner) if inner else {}
    if detail["type"] == "extra_forbidden":
        unknown_key(report, (*path, *place), possible=list(fields))
        return
    field = fields.get(keys[-1]) if keys else None
    missing = detail["type"] == "missing"
    found = detail["input"] if place else table
    meant = ""
    if detail["type"].startswith("int"):
        if isinstance(found, float) and found.is_integer() and place == tuple(keys):
            meant = number(found)
        found = as_written(found)
    report.add(
        (*path, *place),
        MISSING if missing else found,
        expected=_expected(detail, field, missing=missing),
        remedy=_remedy(detail, keys, field, meant=meant or _choice(detail)),
    )


def _fields(model: type[BaseModel]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _model_at(model: type[BaseModel], place: KeyPath) -> type[BaseModel] | None:
    here: type[BaseModel] | None = model
    for part in place:
        if isinstance(part, int):  # an element of a list is what the list is of
            continue
        field = _fields(here).get(str(part)) if here else None
        if field is None:
            return None
        here = next(_models_in(field.annotation), None)
    return here


def _models_in(annotation: object) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for item in get_args(annotation):
        yield from _models_in(item)


def _choice(detail: ErrorDetails) -> str:
    """Which of a few words was most likely meant, if that is what is wrong."""
    if detail["type"] not in ("literal_error", "enum") or not isinstance(detail["input"], str):
        return ""
    choices = re.findall(r"'([^']*)'", str(detail.get("ctx", {}).get("expected", "")))
    meant = nearest(detail["input"], choices)
    return quoted(meant) if meant else ""


def _remedy(
    detail: ErrorDetails, keys: Sequence[str], field: FieldInfo | None, *, meant: str
) -> str:
    if not keys:
        return "Correct the table as a whole."
    key = key_text(keys[-1])
    if meant:
        return f"Write {key} = {meant}."
    if field is not None and field.examples:
        return f"Write for example {key} = {toml(field.examples[0])}."
    if detail["type"] in ("literal_error", "enum"):
        return f"Write {key} = and the one that fits."
    if field is not None and isinstance(field.default, str | int | float | PurePath):
        default = field.default if not isinstance(field.default, PurePath) else str(field.default)
        return f"Write for example {key} = {toml(default)}, or leave it out."
    return f"Add {key} = and its value." if detail["type"] == "missing" else f"Correct {key}."


def _expected(detail: ErrorDetails, field: FieldInfo | None, *, missing: bool) -> str:
    said = (field.description or "").rstrip(".") if field else ""
    if said[1:2].islower():  # it goes on a sentence; "USB port" stays
        said = said[:1].lower() + said[1:]
    kind = _by_type(detail, field)
    if missing or (said and detail["type"] == "string_pattern_mismatch"):
        return said or kind  # the description says what a pattern does, and a person can read it
    return f"{said}: {kind}" if said and kind not in said else said or kind


def _by_type(detail: ErrorDetails, field: FieldInfo | None) -> str:
    kind, context = detail["type"], detail.get("ctx", {})
    if kind in ("literal_error", "enum"):
        return f"one of {str(context['expected']).replace(' or ', ', ')}"
    if kind in ("value_error", "assertion_error"):
        said = str(context.get("error", detail["msg"]))
        if said.startswith("expected "):
            return said.removeprefix("expected ")
        return f"what its driver takes ({said})"
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        return _range(field, context)
    if kind == "missing":
        return "a value"
    if kind == "finite_number":
        return "a number that is neither nan nor inf"
    if kind == "string_pattern_mismatch":
        return "text of another form"
    if kind in ("string_too_short", "too_short"):
        if context["min_length"] == 1:
            return "at least one entry" if kind == "too_short" else "some text"
        return f"at least {context['min_length']} {_things(kind)}"
    if kind in ("string_too_long", "too_long"):
        return f"at most {context['max_length']} {_things(kind)}"
    if kind == "multiple_of":
        return f"a multiple of {context['multiple_of']}"
    return _TYPES.get(kind.partition("_")[0], detail["msg"])


def _things(kind: str) -> str:
    return "characters" if kind.startswith("string") else "entries"


def _range(field: FieldInfo | None, context: Mapping[str, object]) -> str:
    # pydantic names only the bound that was broken; a person wants both.
    bounds = {str(key): value for key, value in context.items()}
    for item in field.metadata if field else ():
        for bound in (Ge, Gt, Le, Lt):
            if isinstance(item, bound):
                name = bound.__name__.lower()
                bounds[name] = getattr(item, name)
    written = {
        name: number(value) for name, value in bounds.items() if isinstance(value, int | float)
    }
    if "ge" in written and "le" in written:
        return f"{written['ge']} to {written['le']}"
    sides = (
        ("ge", "{} or more"),
        ("gt", "more than {}"),
        ("le", "{} or less"),
        ("lt", "less than {}"),
    )
    return " and ".join(words.format(written[name]) for name, words in sides if name in written)
