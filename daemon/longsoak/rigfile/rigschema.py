"""The JSON Schema of the rig file, made from the models that check it.

It says less than `longsoak check`, which also compares what stands in different tables: whether a
bus that a probe names is there, say. What it refuses, the check refuses too.
"""

import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from math import isfinite
from types import UnionType
from typing import Annotated, Union, cast, get_args, get_origin

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from longsoak.driver import BusKind, SwitchingKind
from longsoak.rigfile.alarmtable import AlarmTable
from longsoak.rigfile.curvetable import CurveTable
from longsoak.rigfile.handtable import HandTable
from longsoak.rigfile.judgingtables import BandTable, ChecksTable
from longsoak.rigfile.kinds import MAY, NEEDS, POSITION, has
from longsoak.rigfile.limittable import LimitTable
from longsoak.rigfile.outlettables import (
    BackupTable,
    DatabaseTable,
    ForwardTable,
    HeartbeatTable,
    MailTable,
    MqttTable,
    NoticesTable,
    PersonTable,
    ReadingsTable,
    WebhookTable,
)
from longsoak.rigfile.outputtable import OutputTable
from longsoak.rigfile.reading import words_of
from longsoak.rigfile.recordtable import RecordTable
from longsoak.rigfile.scaletable import GradeScaleTable
from longsoak.rigfile.tables import (
    BayTable,
    BusTable,
    Document,
    DryFaceTable,
    EdgesTable,
    LayerTable,
    ProbeTable,
    ReportTable,
    ReservoirTable,
    RigTable,
    RoomTable,
    SpecimenTable,
    StandInTable,
)
from longsoak.rigfile.watertables import BlockTable, EvaporationPanTable
from longsoak.rigfile.words import Table, Words
from longsoak.vocabulary.rig import Kind

Schema = dict[str, object]
DRAFT = "https://json-schema.org/draft/2020-12/schema"

# What stands in a key that its own model takes as it is: one table, or a list of them.
ONE: Mapping[tuple[type[Table], str], type[Table]] = {
    (Document, "rig"): RigTable,
    (Document, "specimen"): SpecimenTable,
    (Document, "reservoir"): ReservoirTable,
    (Document, "room"): RoomTable,
    (Document, "evaporation_pan"): EvaporationPanTable,
    (Document, "notices"): NoticesTable,
    (Document, "forward"): ForwardTable,
    (Document, "backup"): BackupTable,
    (Document, "heartbeat"): HeartbeatTable,
    (Document, "record"): RecordTable,
    (Document, "hand_readings"): HandTable,
    (Document, "report"): ReportTable,
    (SpecimenTable, "edges"): EdgesTable,
    (BayTable, "dry_face"): DryFaceTable,
    (ProbeTable, "without_temperature"): StandInTable,
    (NoticesTable, "mail"): MailTable,
    (NoticesTable, "mqtt"): MqttTable,
    (NoticesTable, "webhook"): WebhookTable,
    (ForwardTable, "database"): DatabaseTable,
    (ForwardTable, "mqtt"): ReadingsTable,
}
MANY: Mapping[tuple[type[Table], str], type[Table]] = {
    (Document, "bays"): BayTable,
    (Document, "buses"): BusTable,
    (Document, "probes"): ProbeTable,
    (Document, "alarms"): AlarmTable,
    (Document, "people"): PersonTable,
    (Document, "bands"): BandTable,
    (Document, "checks"): ChecksTable,
    (Document, "limits"): LimitTable,
    (Document, "scales"): GradeScaleTable,
    (Document, "outputs"): OutputTable,
    (BayTable, "layers"): LayerTable,
    (ReservoirTable, "blocks"): BlockTable,
}
NAMED: Mapping[tuple[type[Table], str], type[Table]] = {(Document, "curves"): CurveTable}
_HEADED = (Document, NoticesTable, ForwardTable)  # whose tables have headers of their own


def rig_schema_text(kinds: Mapping[str, BusKind | None]) -> str:
    """The schema as a file holds it. See `rig_schema`."""
    return json.dumps(rig_schema(kinds), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def rig_schema(kinds: Mapping[str, BusKind | None]) -> Schema:
    """The JSON Schema (draft 2020-12) of a rig file.

    Parameters
    ----------
    kinds : Mapping of str to BusKind or None
        The installed drivers by name; of one that can't be used here, None, nothing is known but
        its name.
    """
    inside = {*ONE.values(), *MANY.values(), *NAMED.values()}
    tables: list[type[Table]] = [Document, *sorted(inside, key=lambda table: table.__name__)]
    theirs = [model for kind in kinds.values() if kind is not None for model in _models(kind)]
    models: list[type[BaseModel]] = [*tables, *dict.fromkeys(theirs)]
    refs, whole = models_json_schema([(model, "validation") for model in models], by_alias=True)
    ref = {model: cast(Schema, _plain(dict(found))) for (model, _), found in refs.items()}
    definitions = cast(dict[str, Schema], _plain(whole["$defs"]))
    for table in tables:
        _describe(table, definitions[_name(ref[table])], ref)
    _add_kinds(definitions[_name(ref[ProbeTable])])
    _add_drivers(definitions, ref, kinds)
    document = definitions.pop(_name(ref[Document]))
    return {
        "$schema": DRAFT,
        "title": "A rig file of Longsoak",
        "description": "What stands where on a wetting and drying rig. Lengths are in mm, times in "
        "s, resistances in Ohm. `longsoak check` says more than this schema can.",
        **{key: value for key, value in document.items() if key not in ("title", "description")},
        "$defs": definitions,
    }


def _models(kind: BusKind) -> Iterator[type[BaseModel]]:
    yield kind.Options
    yield kind.Address
    if isinstance(kind, SwitchingKind):
        yield kind.OutputAddress


def _name(ref: Schema) -> str:
    return str(ref["$ref"]).rpartition("/")[2]


def _plain(found: object) -> object:
    """A schema without what TOML has not: null, and defaults that are no JSON."""
    if isinstance(found, list):
        return [_plain(each) for each in found]
    if not isinstance(found, dict):
        return found
    kept = {
        key: _plain(value)
        for key, value in found.items()
        if not (key == "default" and not _is_json(value))
    }
    choices = kept.get("anyOf")
    if isinstance(choices, list):
        real = [each for each in choices if each != {"type": "null"}]
        if len(real) == 1:
            del kept["anyOf"]
            return {**cast(Schema, real[0]), **kept}
        kept["anyOf"] = real
    return kept


def _is_json(value: object) -> bool:
    return value is not None and not (isinstance(value, float) and not isfinite(value))


def _describe(table: type[Table], found: Schema, ref: Mapping[type, Schema]) -> None:
    """Put in what the models say in their own words: needed keys, what is expected, examples."""
    properties = cast(dict[str, Schema], found["properties"])
    found["title"] = _title(table)
    found["description"] = re.sub("`+", "", table.__doc__ or "").partition("\n")[0]
    words = dict(words_of(table))
    names = {field.alias or name: name for name, field in table.model_fields.items()}
    for key, schema in properties.items():
        at = (table, names[key])
        if at in ONE:
            schema = dict(ref[ONE[at]])
        elif at in MANY:
            least = {"minItems": schema["minItems"]} if "minItems" in schema else {}
            schema = {"type": "array", "items": dict(ref[MANY[at]]), **least}
        elif at in NAMED:
            schema = {"type": "object", "additionalProperties": dict(ref[NAMED[at]])}
        elif at == (PersonTable, "mail"):  # read by a function, of which no schema knows
            address: Schema = {"type": "string", "pattern": r"^[^\s@]+@[^\s@]+$", "maxLength": 600}
            many: Schema = {"type": "array", "items": address, "minItems": 1}
            schema = {"anyOf": [address, many]}
        schema = _with_words(schema, words[key])
        _restrain(schema, table.model_fields[names[key]].annotation)
        properties[key] = schema
    needed = [key for key, said in words.items() if said.needed]
    if needed:
        found["required"] = needed


def _restrain(schema: Schema, annotation: object) -> None:
    """Put in patterns that pydantic leaves out, those which come after a function of ours."""
    if get_origin(annotation) in (Union, UnionType):
        for each in get_args(annotation):
            if each is not type(None):
                _restrain(schema, each)
    elif get_origin(annotation) is Annotated:
        inner, *beside = get_args(annotation)
        for item in (item for each in beside for item in getattr(each, "metadata", ())):
            pattern = getattr(item, "pattern", None)
            if isinstance(pattern, str) and schema.get("type") == "string":
                schema.setdefault("pattern", pattern)
        _restrain(schema, inner)
    elif get_origin(annotation) is list and isinstance(schema.get("items"), dict):
        _restrain(cast(Schema, schema["items"]), get_args(annotation)[0])


def _title(table: type[Table]) -> str:
    """How the table is headed in a rig file, or the key it stands in."""
    for tables, header in ((ONE, "[{}]"), (MANY, "[[{}]]"), (NAMED, "[{}.name]")):
        for (outer, key), inner in tables.items():
            if inner is table:
                within = {NoticesTable: "notices.", ForwardTable: "forward."}.get(outer, "")
                return header.format(f"{within}{key}") if outer in _HEADED else key
    return "rig file"


def _with_words(schema: Schema, words: Words) -> Schema:
    said = {key: value for key, value in schema.items() if key != "title"}
    said["description"] = f"{words.expected[:1].upper()}{words.expected[1:]}"
    if words.example:
        example = tomllib.loads(f"value = {words.example}")["value"]
        said["examples"] = [example if _is_simple(example) else str(example)]
    return said


def _is_simple(example: object) -> bool:
    return isinstance(example, str | int | float | bool | list | dict)


def _add_kinds(probe: Schema) -> None:
    """Which keys a probe of each kind needs, and which it can't have."""
    names = [field.alias or name for name, field in ProbeTable.model_fields.items()]
    rules = []
    for kind in Kind:
        then: Schema = {"required": list(NEEDS[kind])} if NEEDS[kind] else {}
        then["properties"] = {name: False for name in names if not has(kind, name)}
        if set(POSITION) <= set(MAY[kind]):
            elsewhere = dict.fromkeys((*POSITION, "across"), False)
            then["oneOf"] = [
                {"required": ["place"], "properties": elsewhere},
                {"required": list(POSITION), "properties": {"place": False}},
            ]
        condition = {"properties": {"kind": {"const": str(kind)}}, "required": ["kind"]}
        rules.append({"if": condition, "then": then})
    probe["allOf"] = rules


def _add_drivers(
    definitions: dict[str, Schema],
    ref: Mapping[type, Schema],
    kinds: Mapping[str, BusKind | None],
) -> None:
    """What each driver takes in a bus's table; an address is one that some driver takes."""
    bus = definitions[_name(ref[BusTable])]
    ours = cast(dict[str, Schema], bus["properties"])
    ours["driver"] = {**ours["driver"], "enum": list(kinds)}
    del bus["additionalProperties"]
    rules: list[Schema] = []
    for name, kind in kinds.items():
        if kind is None:
            continue
        options = definitions[_name(ref[kind.Options])]
        theirs = cast(dict[str, Schema], options.get("properties", {}))
        then: Schema = {
            "properties": {**dict.fromkeys(ours, True), **theirs},
            "additionalProperties": False,
            "required": list(cast(list[str], options.get("required", []))),
        }
        condition = {"properties": {"driver": {"const": name}}, "required": ["driver"]}
        rules.append({"if": condition, "then": then})
    bus["allOf"] = rules
    known = [kind for kind in kinds.values() if kind is not None]
    whole = len(known) == len(kinds)
    addresses = [dict(ref[kind.Address]) for kind in known]
    switched = [dict(ref[k.OutputAddress]) for k in known if isinstance(k, SwitchingKind)]
    for table, found in ((ProbeTable, addresses), (OutputTable, switched)):
        schema = cast(dict[str, Schema], definitions[_name(ref[table])]["properties"])
        # Where a driver is installed that can't be used here, its addresses are not known.
        choices: Schema = {"anyOf": found} if found and whole else {"type": "object"}
        said = {k: v for k, v in schema["address"].items() if k in ("description", "examples")}
        schema["address"] = {**choices, **said}
