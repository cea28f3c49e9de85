"""The good rig file altered anywhere, and what doing as its messages say comes to."""

import re
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from longsoak.rigfile.load import parse
from longsoak.vocabulary.errors import Mistake, RigFileError
from longsoak.vocabulary.rig import Rig
from rigfile.fake_kinds import HERE, find_kind

GOOD = (HERE / "good.toml").read_text(encoding="utf-8")
LINES = GOOD.splitlines()
VALUES = st.sampled_from(
    [
        "0",
        "-1",
        "9.5",
        "1e300",
        "nan",
        "-inf",
        "true",
        '""',
        '"x"',
        "[]",
        "[[]]",
        "{}",
        "[{}]",
        "{x=1}",
        "2026-05-04",
        "2026-05-04T00:00:00Z",
        "07:32:00",
        '"meter"',
        '"T\\u0020air"',
        '"level"',
        '"pins"',
        "0xffffffffffffffffffffffff",
        '"\\u0000"',
        "[1,[2]]",
        '["sealed",1]',
        '[{name="x"}]',
        "{name=1}",
    ]
)


@st.composite
def mutated(draw: st.DrawFn) -> str:
    """Take the good file with some lines left out, doubled, moved or given another value."""
    lines = list(LINES)
    for _ in range(draw(st.integers(1, 5))):
        at = draw(st.integers(0, len(lines) - 1))
        what = draw(st.sampled_from(["drop", "double", "move", "value", "key", "cut", "inner"]))
        line = lines[at]
        key, sign, value = line.partition(" = ")
        if what == "drop":
            del lines[at]
        elif what == "double":
            lines.insert(at, line)
        elif what == "move":
            lines.insert(draw(st.integers(0, len(lines) - 1)), lines.pop(at))
        elif what == "value" and sign:
            lines[at] = f"{key} = {draw(VALUES)}"
        elif what == "key" and sign:
            lines[at] = (
                f"{draw(st.sampled_from(['name', 'x', 'kind', 'depth', key[1:]]))} = {value}"
            )
        elif what == "inner" and "{" in line:
            lines[at] = line.replace(draw(st.sampled_from(["1", '"', "name", ","])), "", 1)
        elif what == "cut":
            lines[at] = line[: draw(st.integers(0, len(line)))]
    return "\n".join(lines)


def read(text: str, *, drivers: bool) -> tuple[Rig | None, tuple[Mistake, ...]]:
    try:
        return parse(text, file="rig.toml", find_kind=find_kind if drivers else None), ()
    except RigFileError as error:
        return None, error.mistakes


@settings(max_examples=600, deadline=None)
@given(text=mutated(), drivers=st.booleans())
def test_a_file_altered_anywhere_gives_a_rig_or_its_mistakes_and_never_anything_else(
    text: str, drivers: bool
) -> None:
    rig, mistakes = read(text, drivers=drivers)

    assert (rig is None) == bool(mistakes)
    lines = [mistake.line for mistake in mistakes]
    assert lines == sorted(lines)
    assert all(1 <= line <= text.count("\n") + 1 for line in lines)
    assert all(str(mistake) and mistake.remedy.endswith(".") for mistake in mistakes)


HEADERS = [
    *("rig", "specimen", "bays", "reservoir", "buses", "probes", "alarms", "curves", "forward"),
    *("limits", "hand_readings"),
]


@pytest.mark.parametrize("key", HEADERS)
@settings(max_examples=30, deadline=None)
@given(value=VALUES)
def test_a_table_that_is_something_else_gives_mistakes_and_nothing_else(
    key: str, value: str
) -> None:
    blocks = re.split(r"\n(?=\[)", GOOD)
    others = [block for block in blocks if not re.match(rf"\[+{key}\b", block)]
    for written in (value, f"[{value}]"):
        text = f"{key} = {written}\n" + "\n".join(others)
        tomllib.loads(text)
        rig, mistakes = read(text, drivers=True)

        assert mistakes or (key, written) in (
            ("alarms", "[]"),
            ("forward", "{}"),
            ("limits", "[]"),
        )
        assert (rig is None) == bool(mistakes)


@pytest.mark.parametrize(
    "name", ["depth_with_its_unit", "bays_that_overlap", "many_at_once", "names"]
)
def test_doing_what_a_message_says_mends_that_line(name: str) -> None:
    text = (HERE / "broken" / f"{name}.toml").read_text(encoding="utf-8")
    _, mistakes = read(text, drivers=True)
    lines = text.splitlines()
    mended = 0
    for mistake in mistakes:
        remedy = re.match(
            r"Write (\w+ = [^\s\"]+|\w+ = \"[^\"]*\"|\w+ = \[[^\]]*\])", mistake.remedy
        )
        if remedy and lines[mistake.line - 1].startswith(remedy[1].partition(" ")[0]):
            lines[mistake.line - 1] = remedy[1].rstrip(".,")
            mended += 1

    _, left = read("\n".join(lines), drivers=True)

    assert mended >= 1
    assert len(left) == len(mistakes) - mended
