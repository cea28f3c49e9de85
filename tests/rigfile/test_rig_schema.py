"""The schema of the rig file is one, takes every good file, and refuses what the check refuses."""

import json
import tomllib
from collections.abc import Mapping
from datetime import date, datetime, time
from pathlib import Path
from typing import get_args

import pytest
from jsonschema import Draft202012Validator

from longsoak.driver import BusKind
from longsoak.rigfile.load import parse
from longsoak.rigfile.newrig.reading import read_answers
from longsoak.rigfile.newrig.templates import template_text, templates
from longsoak.rigfile.newrig.text import rig_text
from longsoak.rigfile.rigschema import MANY, NAMED, ONE, rig_schema, rig_schema_text
from longsoak.rigfile.tables import Document
from longsoak.rigfile.words import Table
from longsoak.service.drivers import find_kind, installed_kinds
from longsoak.vocabulary.errors import RigFileError
from longsoak_dashboards.sheets import HERE as PAGES
from longsoak_demo.rigtext import rig_text as demo_text
from pages.lyingrig import lying_text
from rigfile.fake_kinds import HERE, KINDS
from rigfile.fake_kinds import find_kind as find_fake

SCHEMA = rig_schema(installed_kinds())


def as_json(value: object) -> object:
    """What was read of TOML as JSON has it: a date is text, as editors show it to a schema."""
    if isinstance(value, dict):
        return {key: as_json(each) for key, each in value.items()}
    if isinstance(value, list):
        return [as_json(each) for each in value]
    return value.isoformat() if isinstance(value, date | datetime | time) else value


def refused(text: str, schema: Mapping[str, object] = SCHEMA) -> list[str]:
    """What the schema says against a rig file."""
    found = Draft202012Validator(schema).iter_errors(as_json(tomllib.loads(text)))
    return [f"{error.json_path}: {error.message}" for error in found]


def new(name: str) -> str:
    answers = read_answers(template_text(name), file="answers.toml", find_kind=find_kind)
    return rig_text(answers)


def fake(kinds: Mapping[str, BusKind] = KINDS) -> Mapping[str, object]:
    return rig_schema(dict(kinds))


def test_it_is_a_schema_and_plain_json() -> None:
    printed = json.loads(rig_schema_text(installed_kinds()))
    Draft202012Validator.check_schema(printed)
    assert printed == SCHEMA
    assert printed["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def test_every_table_that_stands_in_another_is_described() -> None:
    """Else its keys would be free: a model that takes a table as it is says nothing of it."""
    tables: set[type[Table]] = {Document, *ONE.values(), *MANY.values(), *NAMED.values()}
    of_drivers = {"address"}
    for table in tables:
        for name, field in table.model_fields.items():
            kinds = {field.annotation, *get_args(field.annotation)}
            whole = "dict[str, object]" in str(kinds) or "list[object]" in str(kinds)
            if whole and name not in of_drivers:
                assert (table, name) in {*ONE, *MANY, *NAMED}, (table.__name__, name)
    written = Path(HERE).parents[1] / "daemon" / "longsoak" / "rigfile"
    assert written.is_dir()
    from longsoak.rigfile import draft

    read = {t for t in vars(draft).values() if isinstance(t, type) and issubclass(t, Table)}
    assert read - tables == {Table}


def test_every_key_says_what_it_expects() -> None:
    definitions = SCHEMA["$defs"]
    assert isinstance(definitions, dict)
    for name, table in definitions.items():
        for key, found in table.get("properties", {}).items():
            assert found is True or "description" in found or "Options" in name, (name, key)
        if name.endswith("Table"):
            assert table["title"]
            assert table["description"]


@pytest.mark.parametrize("name", list(templates()))
def test_it_takes_what_new_writes(name: str) -> None:
    assert refused(new(name)) == []


def test_it_takes_the_files_that_ship_and_those_of_the_tests(tmp_path: Path) -> None:
    assert refused(demo_text(tmp_path, page="http://localhost:8460/")) == []
    assert refused((PAGES / "static" / "smallest.toml").read_text()) == []
    for face in ("underside", "top"):
        text = lying_text(face)
        parse(text, file="rig.toml", find_kind=None)
        assert refused(text, rig_schema({"scpi": None})) == []
    assert refused((HERE / "good.toml").read_text(), fake()) == []


def test_a_driver_that_cannot_be_used_here_leaves_its_table_free() -> None:
    kinds = installed_kinds() | {"gpio": None}
    assert refused(new("misted-panel"), rig_schema(kinds)) == []
    assert refused(new("misted-panel"), rig_schema({k: v for k, v in kinds.items() if v})) != []


@pytest.mark.parametrize(
    ("was", "wrong"),
    [
        ("height = 420", "hight = 420"),
        ("height = 420", 'height = "420 mm"'),
        ("height = 420", "height = 0"),
        ('material = "lime"', 'material = "slime"'),
        ('top = "sealed"', 'top = "shut"'),
        ("thickness = 20", "thicknes = 20"),
        ('driver = "lines"', 'driver = "linse"'),
        ('port = "/dev/serial/by-id/usb-pins"', 'prot = "/dev/serial/by-id/usb-pins"'),
        ('port = "/dev/serial/by-id/usb-pins"', 'port = "/dev/ttyUSB0"\nbaud = "fast"'),
        ('kind = "pins"', 'kind = "pin"'),
        ('kind = "pins"', 'kind = "float"'),
        ('curve = "Douglas-fir (coast)"\n', ""),
        ("trips_at = 95", "trips_at = 95\nzero = 3"),
        ('place = "room, dry face"\n', ""),
        ('place = "room, dry face"\n', 'place = "room, dry face"\nbay = "panel"\n'),
        ('address = { name = "P1" }', 'address = { nam = "P1" }'),
        ('address = { id = "28-000000000001" }', 'address = { id = "28-1" }'),
        ("stop = 80", 'stop = "80"'),
        ("stop = 80", "stop = 80\nstopp = 80"),
        ("blocks = []", "blocks = [{ count = 1.5, length = 1, breadth = 1, from = 0, to = 1 }]"),
        ("[room]", "[rooms]"),
        ("[room]", '[[limits]]\nname = "x"\nquantity = "wetness"\nat_most = 3\n[room]'),
        ("[room]", '[[alarms]]\nwatch = "overfil"\n[room]'),
        ("[room]", '[notices.mail]\nhost = "h"\nfrom = "nobody"\nto = ["a@b"]\n[room]'),
        ("[room]", '[notices.mqtt]\nhost = "h"\nprefix = "a"\nversion = "4"\n[room]'),
        ("[room]", '[[people]]\nname = "mk"\nmail = []\n[room]'),
        ("[room]", '[[people]]\nname = "mk"\nmail = "mk@example.org"\nquiet = ["22:00"]\n[room]'),
        ("[room]", '[backup]\nto = "stick"\n[room]'),
        ("[room]", "[curves.mine]\nreference_temperature = 20\npoints = [[7, 1e9]]\n[room]"),
        ("[room]", '[hand_readings]\nwins = "me"\ntolerance = 2\n[room]'),
        ("[room]", "[record]\nlow_mb = 0\n[room]"),
    ],
)
def test_a_typical_mistake_is_refused_as_the_check_refuses_it(was: str, wrong: str) -> None:
    text = new("misted-panel")
    assert was in text
    broken = text.replace(was, wrong, 1)
    with pytest.raises(RigFileError):
        parse(broken, file="rig.toml", find_kind=find_kind)
    assert refused(broken)


BROKEN = sorted((HERE / "broken").glob("*.toml"))


def test_it_never_takes_a_key_that_the_check_calls_unknown() -> None:
    """Over all broken files of the tests: what is told as an unknown key is refused here too."""
    schema, looked = fake(), 0
    for file in BROKEN:
        text = file.read_text(encoding="utf-8")
        try:
            parse(text, file=file.name, find_kind=find_fake)
        except RigFileError as error:
            unknown = any("an unknown key" in str(mistake) for mistake in error.mistakes)
        try:
            tomllib.loads(text)
        except ValueError:
            continue
        if unknown:
            looked += 1
            assert refused(text, schema), file.name
    assert looked > 0
