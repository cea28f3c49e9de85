"""What README and DEVELOPERS.md say is there, and what is there they say."""

import re
import subprocess
import tomllib
from importlib.metadata import entry_points, version
from pathlib import Path

import pytest
from pydantic import BaseModel

from longsoak.core.proof.card import FIELDS, card_of
from longsoak.rigfile import (
    alarmtable,
    curvetable,
    handtable,
    judgingtables,
    limittable,
    outlettables,
    outputtable,
    scaletable,
    tables,
    watertables,
)
from longsoak.rigfile.alarmusual import DAY, HOUR, MINUTE, USUAL
from longsoak.rigfile.curves import shipped
from longsoak.service.drivers import find_kind
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.curve import Correction, Form, MadeFor
from longsoak.vocabulary.handrule import Wins
from longsoak.vocabulary.rig import (
    Above,
    Boundary,
    Kind,
    LimitQuantity,
    Material,
    MouldClass,
    MouldDecline,
    OutputKind,
    Rule,
    Statistic,
)
from longsoak_demo.places import BY_NAME
from longsoak_drivers.iio import Divider
from processes import longsoak

TOP = Path(__file__).parents[2]
README = (TOP / "README.md").read_text()
DEVELOPERS = (TOP / "DEVELOPERS.md").read_text()
PROSE = re.sub(r"^```.*?^```", "", README, flags=re.MULTILINE | re.DOTALL)
CODE_WORDS = set(re.findall(r"[a-z][A-Za-z0-9_ ]*", "|".join(re.findall(r"`([^`]+)`", PROSE))))

COMMANDS = sorted(point.name for point in entry_points(group="longsoak.commands"))
DRIVERS = sorted(point.name for point in entry_points(group="longsoak.drivers"))


def fields(model: type[BaseModel]) -> set[str]:
    return {field.alias or name for name, field in model.model_fields.items()}


def models(*modules: object) -> list[type[BaseModel]]:
    return [
        thing
        for module in modules
        for thing in vars(module).values()
        if isinstance(thing, type) and issubclass(thing, BaseModel) and thing.model_fields
    ]


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_readme_and_shows_an_example(command: str) -> None:
    assert f"longsoak {command}" in README
    shown = longsoak(command, "--help")
    assert shown.returncode == 0
    assert f"Example: longsoak {command}" in shown.stdout


def test_the_list_of_commands_has_a_line_of_help_for_each() -> None:
    shown = longsoak("--help").stdout
    for command in COMMANDS:
        assert re.search(rf"^  {command} +\w.+", shown, re.MULTILINE), command


def test_an_unknown_command_is_told_with_the_nearest() -> None:
    ended = longsoak("chek")
    assert ended.returncode == 2
    assert "Did you mean 'check'?" in ended.stderr


@pytest.mark.parametrize(
    "model",
    models(
        *(tables, outlettables, alarmtable, curvetable, judgingtables, watertables),
        *(outputtable, limittable, handtable, scaletable),
    ),
    ids=lambda m: m.__name__,
)
def test_every_field_of_the_rig_file_is_in_the_readme(model: type[BaseModel]) -> None:
    assert fields(model) - CODE_WORDS == set()


@pytest.mark.parametrize("driver", DRIVERS)
def test_every_field_of_a_driver_is_in_its_row(driver: str) -> None:
    kind = find_kind(driver)
    row = next(line for line in README.splitlines() if line.startswith(f"| `{driver}` |"))
    told = set(re.findall(r"`([a-z_]+)`", row)) - {driver}
    wanted = fields(kind.Options) | fields(kind.Address)
    inner = fields(Divider) if "divider" in wanted else set()
    assert told == wanted | inner


@pytest.mark.parametrize(
    "words",
    [Kind, OutputKind, Watch, Boundary, Material, Form, Correction, MadeFor],
    ids=lambda e: e.__name__,
)
def test_every_word_of_the_rig_file_is_in_the_readme(words: type[Kind]) -> None:
    assert {word.value for word in words} - CODE_WORDS == set()


@pytest.mark.parametrize(
    "words",
    [LimitQuantity, Above, Statistic, Rule, MouldClass, MouldDecline],
    ids=lambda e: e.__name__,
)
def test_every_word_of_limits_is_in_the_readme(words: type[LimitQuantity]) -> None:
    limits = README.partition("### Limits")[2].partition("###")[0]
    assert [word for word in words if f"`{word}`" not in limits] == []


def test_what_may_win_is_in_the_readme() -> None:
    told = README.partition("### Readings by hand")[2].partition("###")[0]
    assert [word for word in Wins if f"`{word}`" not in told] == []


def test_the_table_of_alarms_has_the_priorities_and_times_that_are_usual() -> None:
    told: dict[str, str] = {}
    table = README.partition("| `watch` | stands when |")[2].partition("\n\n")[0]
    for row in table.splitlines()[2:]:
        watches, *_, usual = (cell.strip() for cell in row.strip("|").split(" | "))
        names, times = re.findall("`([^`]+)`", watches), usual.split("; ")
        told |= zip(names, times if len(times) > 1 else times * len(names), strict=True)
    own = (Watch.ABOVE, Watch.BELOW)  # their time has to be said
    assert told == {
        watch.value: f"{usual.priority}, {'as you say' if watch in own else _span(usual.within)}"
        for watch, usual in USUAL.items()
    }


def _span(seconds: float) -> str:
    days = seconds / DAY
    if days >= 1:
        return f"{days:g} day{'s' if days > 1 else ''}"
    return f"{seconds / HOUR:g} h" if seconds >= HOUR else f"{seconds / MINUTE:g} min"


def test_probes_of_examples_are_in_the_demo_s_rig() -> None:
    helps = (longsoak(command, "--help").stdout for command in COMMANDS)
    for text in (PROSE, *helps):
        for name in re.findall(r'"(?:\w+:)?([\w -]+ \d+/\d+)"', text):
            assert name in BY_NAME, name
    assert "silent:cork 30/60" in PROSE


def test_the_card_of_the_readme_is_one_and_shows_every_field() -> None:
    (example,) = re.findall(r"```toml\n(\[\"cork.*?)```", README, re.DOTALL)
    (said,) = tomllib.loads(example).values()
    assert set(said) == set(FIELDS) - {"photo_sha256"}  # taken from the photo
    assert card_of(said).drilled == (30.0, 30.5)


def test_curves_of_memory_are_told_as_such() -> None:
    assert all("from memory" in curve.source for curve in shipped().values())


def test_the_changelog_knows_this_version() -> None:
    assert f"## {version('longsoak')}" in (TOP / "CHANGELOG.md").read_text()


def test_the_developers_guide_names_only_folders_that_are_there() -> None:
    for path in re.findall(
        r"`((?:daemon|drivers|dashboards|demo|deploy|tests)/[\w./-]+)`", DEVELOPERS
    ):
        assert (TOP / path).exists() or "VERSION" in path, path


def test_the_top_level_holds_what_was_agreed_and_nothing_else() -> None:
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=TOP,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split("\n")
    assert {name.partition("/")[0] for name in listed if name} == {
        ".ci", ".gitignore", "CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "README.md", "daemon",
        "dashboards", "demo", "deploy", "drivers", "pyproject.toml", "tests",
    }  # fmt: skip
