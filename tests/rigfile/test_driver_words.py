"""What a driver's own models find wrong, in plain words."""

import tomllib
from datetime import date
from pathlib import Path
from types import ModuleType
from typing import Annotated, Literal

import pytest
from annotated_types import MultipleOf
from pydantic import BaseModel, ConfigDict, Field, field_validator

from longsoak.rigfile.driverwords import check_driver_table
from longsoak.rigfile.lines import Lines
from longsoak.rigfile.report import Report
from longsoak.vocabulary.errors import RigFileError
from longsoak_drivers import iio, lines, modbus, onewire, scpi


class Part(BaseModel):
    """A table within a table."""

    model_config = ConfigDict(extra="forbid", strict=True)

    resistor: float = Field(gt=0, description="Resistor of the divider in Ohm")


class Everything(BaseModel):
    """One field of each sort a driver is likely to have."""

    model_config = ConfigDict(extra="forbid", strict=True)

    port: str = Field("p", min_length=2, max_length=9, description="USB port")
    number: int = Field(1, ge=1, le=247)
    above: float = Field(1, gt=0)
    below: float = Field(1, lt=10, allow_inf_nan=False)
    parity: Literal["N", "E", "O"] = "N"
    either: int | str = 1
    names: list[str] = Field(default_factory=list, max_length=2)
    pattern: str = Field("v1", pattern="^v[0-9]$", description="Channel, such as v1")
    bare: str = Field("v1", pattern="^v[0-9]$")
    filled: str = Field("v", min_length=1)
    some: list[str] = Field(default_factory=list, min_length=1)
    counts: list[int] = Field(default_factory=list)
    step: Annotated[int, MultipleOf(5)] = 5
    fast: bool = False
    since: date | None = None
    folder: Path = Field(Path("/"), strict=False)
    part: Part | None = None
    parts: list[Part] = Field(default_factory=list)
    odd: int = 1
    even: int = 2
    renamed: int = Field(1, alias="from")

    @field_validator("odd")
    @classmethod
    def _is_odd(cls, odd: int) -> int:
        if odd % 2 == 0:
            raise ValueError("expected an odd number")
        return odd

    @field_validator("even")
    @classmethod
    def _is_even(cls, even: int) -> int:
        if even % 2:
            raise ValueError("odd numbers are taken")
        return even


def said_of(table: dict[str, object], model: type[BaseModel] = Everything) -> list[str]:
    report = Report("rig.toml", Lines(""))
    checked = check_driver_table(model, table, path=("buses", 0), report=report)
    try:
        report.close()
    except RigFileError as error:
        assert checked is None
        return [str(mistake) for mistake in error.mistakes]
    assert isinstance(checked, model)
    return []


def test_a_table_the_driver_accepts_comes_back_read() -> None:
    assert said_of({"port": "/dev/x", "number": 3, "part": {"resistor": 1e6}, "from": 2}) == []


@pytest.mark.parametrize(
    ("table", "expected"),
    [
        (
            {"port": 3},
            "port is 3, expected USB port: text in quotes. "
            'Write for example port = "p", or leave it out.',
        ),
        ({"port": "x"}, "port is 'x', expected USB port: at least 2 characters."),
        ({"port": "x" * 10}, "expected USB port: at most 9 characters."),
        (
            {"number": 0},
            "number is 0, expected 1 to 247. Write for example number = 1, or leave it out.",
        ),
        ({"number": 248}, "number is 248, expected 1 to 247."),
        ({"number": 2.5}, "number is 2.5, expected a whole number."),
        ({"number": "2"}, "number is '2', expected a whole number."),
        ({"above": 0}, "above is 0, expected more than 0."),
        ({"above": "x"}, "above is 'x', expected a number."),
        ({"below": 10.0}, "below is 10, expected less than 10."),
        ({"below": float("nan")}, "expected a number that is neither nan nor inf."),
        (
            {"parity": "X"},
            "parity is 'X', expected one of 'N', 'E', 'O'. Write parity = and the one that fits.",
        ),
        ({"parity": "n"}, 'Write parity = "N".'),
        ({"either": 2.5}, "either is 2.5, expected a whole number."),
        ({"names": "a"}, "names is 'a', expected a list in square brackets."),
        ({"names": ["a", "b", "c"]}, 'names is ["a", "b", "c"], expected at most 2 entries.'),
        ({"names": ["a", 2]}, "names[1] is 2, expected text in quotes. Correct names."),
        (
            {"pattern": "x"},
            "pattern is 'x', expected channel, such as v1. "
            'Write for example pattern = "v1", or leave it out.',
        ),
        ({"bare": "x"}, "bare is 'x', expected text of another form."),
        ({"filled": ""}, "filled is '', expected some text."),
        ({"some": []}, "some is [], expected at least one entry. Correct some."),
        ({"number": 110.0}, "number is 110.0, expected a whole number. Write number = 110."),
        ({"names": [1.0]}, "names[0] is 1, expected text in quotes. Correct names."),
        ({"counts": [1.0]}, "counts[0] is 1.0, expected a whole number. Correct counts."),
        (
            {"folder": 7},
            'folder is 7, expected a path in quotes. Write for example folder = "/", '
            "or leave it out.",
        ),
        ({"step": 7}, "step is 7, expected a multiple of 5."),
        ({"fast": 1}, "fast is 1, expected true or false, without quotes."),
        ({"since": "2026-05-04"}, "since is '2026-05-04', expected a date without quotes."),
        ({"folder": 5}, "folder is 5, expected a path in quotes."),
        ({"part": 5}, "part is 5, expected a table in braces."),
        (
            {"part": {}},
            "part.resistor is missing, expected resistor of the divider in Ohm. "
            "Add resistor = and its value.",
        ),
        (
            {"part": {"resistr": 1}},
            "part.resistr is an unknown key, expected one of resistor. "
            "Did you mean resistor? Otherwise remove it.",
        ),
        (
            {"parts": [{"resistor": 1}, {"resistor": -1}]},
            "parts[1].resistor is -1, expected resistor of the divider in Ohm: more than 0.",
        ),
        ({"odd": 2}, "odd is 2, expected an odd number."),
        ({"even": 1}, "even is 1, expected what its driver takes (odd numbers are taken)."),
        ({"from": "x"}, "from is 'x', expected a whole number."),
    ],
)
def test_a_mistake_is_one_plain_sentence(table: dict[str, object], expected: str) -> None:
    [said] = said_of(table)

    assert said.startswith("rig.toml:1: buses[0].")
    assert expected in said


def test_an_unknown_key_is_told_the_possible_ones_by_the_names_a_file_uses() -> None:
    [said] = said_of({"form": 1})

    assert "port, number, above" in said
    assert "even, from. Did you mean from?" in said


DRIVERS = [iio, lines, modbus, onewire, scpi]


@pytest.mark.parametrize("driver", DRIVERS, ids=lambda driver: driver.__name__)
def test_what_a_shipped_drivers_mistake_recommends_can_be_written(driver: ModuleType) -> None:
    for model in (driver.Options, driver.Address):
        for name, field in model.model_fields.items():
            key = field.alias or name
            assert field.description
            for said in said_of({key: []}, model):
                if f".{key} is " in said and "one of" not in said:
                    assert "Write for example " in said
                    assert "pattern" not in said
                    remedy = said.rpartition("Write for example ")[2].rstrip(".")
                    value = tomllib.loads(remedy.removesuffix(", or leave it out"))
                    assert not [again for again in said_of(value, model) if f".{key} is " in again]


def test_text_of_another_form_is_told_by_the_drivers_own_words() -> None:
    (said,) = said_of({"device": ""}, iio.Options)
    assert said.endswith(
        "device is '', expected the converter's name, as its file \"name\" gives it. "
        'Write for example device = "ads1015".'
    )
    (said,) = said_of({"id": "28-XYZ"}, onewire.Address)
    assert said.endswith(
        "id is '28-XYZ', expected name of its folder: two digits from 0 to f, a dash, twelve "
        'more. Write for example id = "28-0316a2795c13".'
    )
    (said,) = said_of({"port": "", "timeout": 5.0}, scpi.Options)
    assert "at least 1" not in said


def test_all_mistakes_of_a_table_are_told() -> None:
    assert len(said_of({"port": 3, "number": 0, "parity": "X", "part": {}, "wrong": 1})) == 5
