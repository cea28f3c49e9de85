"""The package's own description: `datapackage.json`, Frictionless Data Package v1."""

import json
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from longsoak.report.fields import Column, Table
from longsoak.vocabulary.proof import Json

DESCRIPTION = "datapackage.json"
OWN = "longsoak"  # the property that holds what is ours, and by which an export is known again

_MEDIA = {
    ".csv": "text/csv",
    ".parquet": "application/vnd.apache.parquet",
    ".toml": "application/toml",
    ".txt": "text/plain",
    ".jpg": "image/jpeg",
    ".png": "image/png",
    ".webp": "image/webp",
    ".heic": "image/heic",
}
_TEXTS = (".csv", ".toml", ".txt")


@dataclass(frozen=True, slots=True)
class Written:
    """A file of the package: its path in it, length in bytes, and SHA-256 in hex digits."""

    path: str
    size: int
    sha256: str


def describe(
    *,
    title: str,
    says: str,
    own: Mapping[str, Json],
    tables: Sequence[tuple[Table, Written]],
    others: Sequence[tuple[str, Written]],
) -> str:
    """Write the description.

    Parameters
    ----------
    title, says : str
        What the package is called, and what it is.
    own : Mapping of str to Json
        What has no property of its own in the standard.
    tables : sequence
        Each table with its file.
    others : sequence
        Every other file, with what it is in words before it.
    """
    package: dict[str, Json] = {
        "profile": "data-package",
        "name": _slug(title),
        "title": title,
        "description": says,
        OWN: own,
        "resources": [
            *(_resource(table, file) for table, file in tables),
            *(
                {"name": _slug(file.path), "description": what, **_file(file)}
                for what, file in others
            ),
        ],
    }
    return json.dumps(package, ensure_ascii=False, indent=1) + "\n"


def table_schema(table: Table) -> dict[str, Json]:
    """A table's columns as Frictionless Table Schema v1.

    The standard has no property for units. `unit` holds a UCUM code, `unit_column` the name of the
    column that holds one row by row.
    """
    schema: dict[str, Json] = {
        "fields": [_field(column) for column in table.columns],
        "missingValues": [""],
        "primaryKey": list(table.key),
    }
    if table.references:
        schema["foreignKeys"] = [
            {
                "fields": list(reference.columns),
                "reference": {"resource": reference.table, "fields": list(reference.others)},
            }
            for reference in table.references
        ]
    return schema


def _resource(table: Table, file: Written) -> dict[str, Json]:
    text = file.path.endswith(".csv")
    resource: dict[str, Json] = {"name": table.name, "description": table.says, **_file(file)}
    if text:
        resource |= {
            "profile": "tabular-data-resource",
            "dialect": {"delimiter": ",", "lineTerminator": "\n", "doubleQuote": True},
        }
    return resource | {"schema": table_schema(table)}


def _file(file: Written) -> dict[str, Json]:
    ending = file.path[file.path.rindex(".") :]
    found: dict[str, Json] = {
        "path": file.path,
        "profile": "data-resource",
        "format": ending[1:],
        "mediatype": _MEDIA[ending],
    }
    if ending in _TEXTS:
        found["encoding"] = "utf-8"
    if ending != ".parquet":  # the standard's own program can count and digest no such file
        found |= {"bytes": file.size, "hash": f"sha256:{file.sha256}"}
    return found


def _field(column: Column) -> dict[str, Json]:
    field: dict[str, Json] = {
        "name": column.name,
        "type": column.type.value,
        "description": column.says,
    }
    if column.unit is not None:
        field["unit"] = column.unit
    if column.unit_column is not None:
        field["unit_column"] = column.unit_column
    constraints: dict[str, Json] = {}
    if column.needed:
        constraints["required"] = True
    if column.choices:
        constraints["enum"] = list(column.choices)
    return field | ({"constraints": constraints} if constraints else {})


def _slug(text: str) -> str:
    """A name as the standard takes it: lower case letters, digits, ".", "-" and "_"."""
    plain = unicodedata.normalize("NFKD", text.lower()).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9._]+", "-", plain).strip("-") or "rig"
