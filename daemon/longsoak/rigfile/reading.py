"""Reads one table with its own model, so that a mistake in it hides none elsewhere."""

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar, cast

from pydantic import ValidationError

from longsoak.rigfile.lines import KeyPath
from longsoak.rigfile.report import (
    MISSING,
    Report,
    as_written,
    nearest,
    number,
    quoted,
    toml,
    unknown_key,
)
from longsoak.rigfile.words import Table, Words

T = TypeVar("T", bound=Table)
_NUMBER_AND_UNIT = re.compile(r"\s*([+-]?\d{1,15})([.,]\d{1,15})?\s*(\S*)\s*")


@dataclass(frozen=True, slots=True)
class Part(Generic[T]):
    """One table of the file: where it stands, what in it could be read, which keys it has at all.

    `keys` are as written, with those that were meant by a misspelt one: a key that is there, if
    faulty, is not missing as well.
    """

    path: KeyPath
    table: T
    keys: frozenset[str] = frozenset()


def read_table(
    model: type[T],
    raw: object,
    *,
    path: KeyPath,
    report: Report,
    expected: Mapping[str, str] | None = None,
) -> Part[T]:
    """Read a table, note each mistake in it, and hand back what is right.

    Parameters
    ----------
    model : type of Table
        What the table may say.
    raw : object
        What `tomllib` read at `path`.
    path : KeyPath
        Where the table stands.
    report : Report
        Takes the mistakes.
    expected : Mapping of str to str, optional
        For keys whose range depends on the rest of the file: what to say instead of the usual.
    """
    if not isinstance(raw, dict):
        report.add(path, raw, expected="a table", remedy="Write a table of key = value here.")
        return Part(path, model())
    table = cast(dict[str, object], raw)
    words = dict(words_of(model))
    keys = frozenset(table) | frozenset(
        meant for key in table if key not in words and (meant := nearest(key, words))
    )
    for key, said in words.items():
        if said.needed and key not in keys:
            report.add(
                (*path, key),
                MISSING,
                expected=(expected or {}).get(key, said.expected),
                remedy=said.remedy or f"Write for example {key} = {said.example}.",
            )
    try:
        return Part(path, model.model_validate(table), keys)
    except ValidationError as error:
        wrong = _note(error, table, model, path=path, report=report, expected=expected or {})
    right = {key: value for key, value in table.items() if key not in wrong}
    return Part(path, model.model_validate(right), keys)


def words_of(model: type[Table]) -> Iterator[tuple[str, Words]]:
    """Each key as the file writes it, and what it expects."""
    for name, field in model.model_fields.items():
        for item in field.metadata:
            if isinstance(item, Words):
                yield field.alias or name, item


def _note(
    error: ValidationError,
    table: Mapping[str, object],
    model: type[Table],
    *,
    path: KeyPath,
    report: Report,
    expected: Mapping[str, str],
) -> frozenset[str]:
    words = dict(words_of(model))
    wrong: set[str] = set()
    noted: set[KeyPath] = set()
    for detail in error.errors(include_url=False):
        key = str(detail["loc"][0])
        wrong.add(key)
        if key not in words:
            unknown_key(report, (*path, key), possible=list(words))
            continue
        # A pair that is too short is found wrong at the place it doesn't have: say it of the pair.
        place = detail["loc"][:-1] if detail["type"] == "missing" else detail["loc"]
        if place in noted:
            continue
        noted.add(place)
        found = _at(table, place)
        report.add(
            (*path, *place),
            as_written(found) if detail["type"].startswith("int") else found,
            expected=expected.get(key, words[key].expected),
            remedy=_remedy(model, key, words[key], found if place == (key,) else None),
        )
    return frozenset(wrong)


def _at(table: Mapping[str, object], place: KeyPath) -> object:
    found: object = table
    for part in place:
        level = dict(enumerate(found)) if isinstance(found, list) else found
        found = level.get(part) if isinstance(level, dict) else None
    return found


def _remedy(model: type[Table], key: str, words: Words, found: object) -> str:
    if words.remedy:
        return words.remedy
    if isinstance(found, float) and found.is_integer() and _takes(model, key, number(found)):
        return f"Write {key} = {number(found)}."
    if isinstance(found, str):
        meant = nearest(found, words.choices)
        if meant:
            return f"Write {key} = {quoted(meant)}."
        match = _NUMBER_AND_UNIT.fullmatch(found)
        # Only with the key's own unit: "12 cm" is not 12 mm.
        if match and words.unit is not None and match[3] in ("", words.unit):
            bare = number(float(f"{match[1]}{(match[2] or '').replace(',', '.')}"))
            if _takes(model, key, bare):
                return f"Write {key} = {bare}."
        if _takes(model, key, toml(found.strip())):
            return f"Write {key} = {toml(found.strip())}."
    return f"Write for example {key} = {words.example}."


def _takes(model: type[Table], key: str, written: str) -> bool:
    value = tomllib.loads(f"value = {written}")["value"]
    try:
        model.model_validate({key: value})
    except ValidationError:
        return False
    return True
