"""What is said of a line that is no TOML: our words, the line, and what to write instead."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.rigfile.load import parse
from longsoak.rigfile.tomlwords import told
from longsoak.vocabulary.errors import RigFileError
from rigfile.fake_kinds import HERE, find_kind

GOOD = (HERE / "good.toml").read_text(encoding="utf-8")
REST = " The rest of the file is looked at then."

SLIPS = [
    (
        "name = “west wall”",
        "the line is name = “west wall”, expected straight quotation marks, not curled ones. "
        'Write name = "west wall".',
    ),
    ("zero = -20,0", "zero is -20,0, expected a decimal point. Write zero = -20.0."),
    (
        "height = 42 cm",
        "height is 42 cm, expected a bare number, without its unit. "
        "Write height = 42 if the field is in cm, otherwise convert it.",
    ),
    (
        "height = 4,2mm # the panel",
        "height is 4,2mm, expected a bare number, without its unit. "
        "Write height = 4.2 if the field is in mm, otherwise convert it.",
    ),
    (
        "underside: 110",
        "the line is underside: 110, expected key = value, with = between the two. "
        "Write underside = 110.",
    ),
    (
        "start = 04.05.2026",
        "start is 04.05.2026, expected a day of the calendar, as year-month-day. "
        "Write start = 2026-05-04.",
    ),
    (
        "start = 2026-02-30",
        "start is 2026-02-30, expected a day of the calendar, as year-month-day. "
        "Write for example start = 2026-05-04.",
    ),
    (
        "invented = True",
        "invented is True, expected true or false, in small letters. Write invented = true.",
    ),
    (
        'edges = { top = "open",\n  left = "open" }',
        'the line is edges = { top = "open",, expected a table in braces that begins and ends on '
        "one line. Write it on one line, with } at its end.",
    ),
    (
        'edges = { top = "open", }',
        'the line is edges = { top = "open", }, expected no comma before }. '
        "Remove the comma before }.",
    ),
    ("height = 420,", "height is 420,, expected nothing after the value. Write height = 420."),
    (
        "layers = [\n  { material = lime, thickness = 60 },\n]",
        "material is lime, expected text in quotation marks, a number, or true or false. "
        'Write material = "lime".',
    ),
    (
        'layers = [\n  { material = "lime", thickness = 60,5 },\n]',
        "thickness is 60,5, expected a decimal point. Write thickness = 60.5.",
    ),
    (
        "address = { device = 02, input = 1 }",
        "device is 02, expected a number with plain digits, and digits on both sides of its "
        "point. Write device = 2.",
    ),
    (
        "name = west wall",
        "name is west wall, expected text in quotation marks, a number, or true or false. "
        'Write name = "west wall".',
    ),
    (
        "[specimen]\n[specimen]",
        "the line is a second [specimen], expected one table of that name (line 2 has it). "
        "Put the keys of both into one table.",
    ),
    (
        "[[buses]]\n[buses]",
        "the line is [buses], expected [[buses]] in double brackets, as in line 2: the two can't "
        "stand together. Write [[buses]].",
    ),
    (
        "[buses]\n[[buses]]",
        "the line is [buses], expected [[buses]] in double brackets, as in line 3: the two can't "
        "stand together. Write [[buses]].",
    ),
    (
        "width = 1\nwidth = 2",
        "width is there a second time, expected each key once in its table (line 2 has it). "
        "Remove one of the two.",
    ),
    (
        "[curves.my fir]",
        'the line is [curves.my fir], expected a header such as [specimen], [[probes]] or [curves."'
        'my fir"]: names of more than letters, digits, _ and - in quotes. '
        'Write [curves."my fir"].',
    ),
    (
        'port = "C:\\dev"',
        'the line is port = "C:\\dev", expected no single \\ within double quotes, where it has a '
        "meaning of its own. Write port = 'C:\\dev'.",
    ),
    (
        'source = "own calibration',
        'the line is source = "own calibration, expected a text with a quotation mark at both '
        "ends. Close the quotation marks.",
    ),
    (
        "source = 'own calibration",
        "the line is source = 'own calibration, expected a text with a quotation mark at both "
        "ends. Close the quotation marks.",
    ),
    (
        "underside =",
        "underside is without a value, expected a value after =. "
        "Write a value, or remove underside.",
    ),
    (
        "// the specimen",
        "the line is // the specimen, expected a comment that begins with #. "
        "Begin the line with #.",
    ),
    (
        'name = "we\0st"',
        "the line is text with the control character U+0000 in it, expected letters, digits and "
        "signs that can be seen. Delete that character; most editors can show it.",
    ),
    (
        "height\u00a0= 420",
        "the line is text with U+00A0 in it, which looks like a space or like nothing, expected "
        "ordinary spaces. Type the line again rather than paste it.",
    ),
    (
        "a = 1\rb = 2",
        "the line is ended by a carriage return alone, expected line ends as Linux or Windows "
        "write them. Save the file with line ends of the kind LF.",
    ),
]


@pytest.mark.parametrize(("written", "said"), SLIPS, ids=[said for _, said in SLIPS])
def test_a_slip_is_told_in_plain_words(written: str, said: str) -> None:
    with pytest.raises(RigFileError) as caught:
        parse(f"# a rig\n{written}\n", file="rig.toml", find_kind=find_kind)

    place, _, rest = str(caught.value).partition(": ")
    assert rest == said + REST
    assert place.removeprefix("rig.toml:") in {"2", "3"}


@pytest.mark.parametrize("written", [written for written, said in SLIPS if "Write " in said])
def test_what_is_said_to_write_can_be_written(written: str) -> None:
    text = f"{written}\n"
    with pytest.raises(tomllib.TOMLDecodeError) as caught:
        tomllib.loads(text)

    remedy = told(text, caught.value).remedy.removesuffix(REST)
    meant = remedy.removeprefix("Write ").removeprefix("for example ").removesuffix(".")
    if " = " in meant or meant.startswith("["):
        tomllib.loads(meant.partition(" if the field")[0])


@given(
    row=st.integers(0, GOOD.count("\n") - 1),
    at=st.integers(0, 60),
    added=st.sampled_from([*"\"'[]{}=,.:;#\\\0\r\n-0aé“\u00a0", " mm", "''' ", '"""', "[x]\n"]),
)
def test_whatever_is_typed_into_a_good_file_is_told_without_the_parsers_words(
    row: int, at: int, added: str
) -> None:
    rows = GOOD.split("\n")
    rows[row] = rows[row][:at] + added + rows[row][at:]
    text = "\n".join(rows)
    error = refusal(text)
    if error is not None:
        said = told(text, error)
        assert 1 <= said.line <= text.count("\n") + 1
        assert said.found
        assert str(error).partition(" (at ")[0] not in f"{said.found} {said.expected}"


def refusal(text: str) -> ValueError | None:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return error
    return None
