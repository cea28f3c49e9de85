"""`longsoak schema` prints what the tests hold every message to."""

import json

import pytest
from jsonschema import Draft202012Validator

from brokers import schema
from longsoak.cli.schema import NAMES
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.rig import Kind, Quantity
from processes import longsoak

# What a state has had since a later version, and readers of it must do without.
LATER = ("page", "pump_dry_days")


@pytest.mark.parametrize("message", NAMES)
def test_a_schema_is_printed_that_is_one_and_describes_every_part(message: str) -> None:
    ended = longsoak("schema", message)
    assert (ended.returncode, ended.stderr) == (0, "")
    printed = json.loads(ended.stdout)
    assert printed == schema(message)
    Draft202012Validator.check_schema(printed)
    later = LATER if message == "state" else ()
    assert printed["required"] == [part for part in printed["properties"] if part not in later]
    assert all(part.get("description") for part in printed["properties"].values())
    assert "{prefix}/" in printed["description"]


def test_the_words_of_a_schema_are_those_of_the_vocabulary() -> None:
    parts = json.loads(longsoak("schema", "reading").stdout)["properties"]
    assert parts["kind"]["enum"] == [*map(str, Kind), None]
    assert parts["quantity"]["enum"] == [*map(str, Quantity), None]
    assert parts["flag"]["enum"] == [flag.word for flag in Flag]
    alarm = json.loads(longsoak("schema", "alarm").stdout)["properties"]
    assert set(alarm["state"]["enum"]) == set(map(str, AlarmState))


def test_another_message_is_refused_with_those_there_are() -> None:
    ended = longsoak("schema", "readings")
    assert ended.returncode == 2
    assert "'alarm', 'notice', 'reading', 'state'" in ended.stderr
