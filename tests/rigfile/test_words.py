"""What the tables of the rig file expect, and whether they take what they recommend."""

import tomllib

import pytest
from pydantic import ValidationError

from longsoak.rigfile import alarmtable, outlettables, tables
from longsoak.rigfile.reading import words_of
from longsoak.rigfile.words import Table, Words

MODELS = sorted(
    {
        model
        for module in (tables, alarmtable, outlettables)
        for model in vars(module).values()
        if isinstance(model, type) and issubclass(model, Table) and model is not Table
    },
    key=lambda model: model.__name__,
)
KEYS = [
    pytest.param(model, key, words, id=f"{model.__name__}.{key}")
    for model in MODELS
    for key, words in words_of(model)
]


@pytest.mark.parametrize("model", MODELS)
def test_every_key_of_a_table_has_words(model: type[Table]) -> None:
    assert len(list(words_of(model))) == len(model.model_fields) > 0


@pytest.mark.parametrize(("model", "key", "words"), KEYS)
def test_a_table_takes_what_its_remedy_recommends(
    model: type[Table], key: str, words: Words
) -> None:
    if words.remedy is not None:
        assert words.remedy.startswith("Head ")
        return

    model.model_validate(tomllib.loads(f"{key} = {words.example}"))


@pytest.mark.parametrize(("model", "key", "words"), KEYS)
def test_no_key_takes_text_with_a_control_character(
    model: type[Table], key: str, words: Words
) -> None:
    with pytest.raises(ValidationError):
        model.model_validate({key: "rig\x07"})


@pytest.mark.parametrize(
    "name", ["", " a", "a ", "a\tb", "a\nb", "a\x7f", "a\u2028b", "a\u202eb", "x" * 61]
)
def test_a_name_that_would_break_a_table_or_a_notice_is_refused(name: str) -> None:
    with pytest.raises(ValidationError):
        tables.BusTable.model_validate({"name": name})


@pytest.mark.parametrize("name", ["a", "C 30/60", "Gerüst, Nordseite", "Ω 1", "x" * 60])
def test_a_name_may_be_anything_else(name: str) -> None:
    assert tables.BusTable.model_validate({"name": name}).name == name


# MQTT 5.0, 4.7.1 and 4.7.2 (sections from memory): wildcards, and topics of the broker's own.
@pytest.mark.parametrize("prefix", ["a/+", "a/#", "#", "$SYS/a", "/a", "a/", "a\x00"])
def test_a_prefix_that_no_topic_can_have_is_refused(prefix: str) -> None:
    with pytest.raises(ValidationError):
        outlettables.MqttTable.model_validate({"prefix": prefix})


@pytest.mark.parametrize("url", ["localhost:8428", "ftp://a", "http://", "http://user:pw@host/"])
def test_a_web_address_carries_no_password_and_begins_with_its_scheme(url: str) -> None:
    with pytest.raises(ValidationError):
        outlettables.DatabaseTable.model_validate({"url": url})
