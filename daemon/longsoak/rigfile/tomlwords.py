"""What is wrong with a line that is no TOML, in the rig file's words rather than the parser's."""

import re
import tomllib
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from longsoak.rigfile.report import quoted

_LONGEST = 60  # characters of a line in a message
_POSITION = re.compile(r" \((?:at line (\d+), column (\d+)|at end of document)\)$")
_KEY = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"\n]*"))*"""
_PAIR = re.compile(rf"\s*({_KEY})\s*=\s*(.*)", re.DOTALL)
_INNER = re.compile(rf"(?:^|[{{,])\s*({_KEY})\s*=\s*([^,={{}}\[\]]*?)\s*(?=[,}}]|$)")
_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]#]*?)\s*\]")
_STRING = re.compile(r'"(?:[^"\\\n]|\\.)*"' + r"|'[^'\n]*'")
_CURLED = str.maketrans(
    dict.fromkeys("\u201c\u201d\u201e\u201f\u2033\u00ab\u00bb", '"')
    | dict.fromkeys("\u2018\u2019\u201a\u201b\u2032", "'")
)
_WORDS = {"true": "true", "false": "false", "yes": "true", "no": "false", "on": "true"}
_WORDS |= {"off": "false"}


@dataclass(frozen=True, slots=True)
class Told:
    """The parts of a mistake about a line, 1 for the first."""

    line: int
    field: str
    found: str
    expected: str
    remedy: str


def told(text: str, error: ValueError) -> Told:
    """Say what is wrong with a text that `tomllib` refuses.

    Parameters
    ----------
    text : str
        The whole text.
    error : ValueError
        What `tomllib.loads` raised for it; where it stood is looked at, and what it was after.
    """
    said = str(error)
    match = _POSITION.search(said)
    reason = said[: match.start()] if match else said
    rows = text.split("\n")
    number, column = len(rows), len(rows[-1])
    if match and match[1]:
        number, column = int(match[1]), int(match[2]) - 1
    elif match is None:  # a number of thousands of digits: its place is not told
        number = next((at for at, row in enumerate(rows, 1) if re.search(r"\d{4000}", row)), 1)
        column = 0
    place = _Place(rows, number, column, reason)
    for rule in (_characters, _quotes, _twice, _braces, _statement, _values):
        for found in rule(place):
            return found
    return place.tell(
        place.shown, "key = value, a [header] or a # comment on each line", "Mend the line."
    )


@dataclass(frozen=True, slots=True)
class _Place:
    """Where the parser stopped: rows of the file, the row's number from 1, the column from 0."""

    rows: list[str]
    number: int
    column: int
    reason: str

    @property
    def row(self) -> str:
        return self.rows[self.number - 1] if self.number <= len(self.rows) else ""

    @property
    def bare(self) -> str:
        """The row without its comment."""
        hidden = _STRING.sub(lambda match: "x" * len(match.group()), self.row)
        return (self.row[: hidden.find("#")] if "#" in hidden else self.row).strip(" \t")

    @property
    def shown(self) -> str:
        return _short(self.bare) if self.bare else "an end in the midst of something"

    def tell(
        self, found: str, expected: str, remedy: str, *, field: str = "", line: int = 0
    ) -> Told:
        remedy = f"{remedy} The rest of the file is looked at then."
        return Told(line or self.number, field or "the line", found, expected, remedy)


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}…"


def _parses(line: str) -> bool:
    try:
        tomllib.loads(line)
    except ValueError:
        return False
    return True


def _characters(at: _Place) -> Iterator[Told]:
    here = at.row[at.column : at.column + 1]
    if "\r" in at.row:
        yield at.tell(
            "ended by a carriage return alone",
            "line ends as Linux or Windows write them",
            "Save the file with line ends of the kind LF.",
        )
    elif here and unicodedata.category(here) == "Cc" and here != "\t":
        yield at.tell(
            f"text with the control character U+{ord(here):04X} in it",
            "letters, digits and signs that can be seen",
            "Delete that character; most editors can show it.",
        )
    outside = _STRING.sub("", at.bare)
    if outside != outside.translate(_CURLED):
        straight = at.bare.translate(_CURLED)
        yield at.tell(
            at.shown,
            "straight quotation marks, not curled ones",
            f"Write {straight}." if _parses(straight) else 'Type them again as ".',
        )
    for letter in outside:
        if letter not in " \t" and unicodedata.category(letter) in ("Zs", "Cf"):
            yield at.tell(
                f"text with U+{ord(letter):04X} in it, which looks like a space or like nothing",
                "ordinary spaces",
                "Type the line again rather than paste it.",
            )


def _quotes(at: _Place) -> Iterator[Told]:
    if "Unescaped '\\'" in at.reason:
        pair = _PAIR.fullmatch(at.bare)
        value = pair[2].replace('"', "'") if pair and pair[2].count('"') == 2 else ""
        line = f"{pair[1]} = {value}" if pair else ""
        yield at.tell(
            at.shown,
            "no single \\ within double quotes, where it has a meaning of its own",
            f"Write {line}." if value and _parses(line) else "Write \\\\ for each \\.",
        )
    open_rows = [at.number] if at.reason == "Illegal character '\\n'" else []
    if at.reason == """Expected "'\"""":
        open_rows = [n for n, row in enumerate(at.rows, 1) if re.search(r"=\s*'[^']*$", row)][:1]
    if at.reason.startswith(("Unterminated string", "Expected \"'''\"")):
        open_rows = [n for n, row in enumerate(at.rows, 1) if re.search(r"\"\"\"|'''", row)][-1:]
    for row in open_rows:
        yield at.tell(
            _short(at.rows[row - 1].strip()),
            "a text with a quotation mark at both ends",
            "Close the quotation marks.",
            line=row,
        )


def _twice(at: _Place) -> Iterator[Told]:
    if not at.reason.startswith(("Cannot declare", "Cannot overwrite", "Duplicate inline")):
        return
    header = _HEADER.match(at.row)
    if header is None:
        inner = re.search(r"Duplicate inline table key '(.*)'", at.reason)
        pair = _PAIR.match(at.row)
        name = inner[1] if inner else pair[1] if pair else ""
        before = None if inner else _earlier_key(at, name)
        where = f" (line {before} has it)" if before else ""
        yield at.tell(
            "there a second time",
            f"each key once in its table{where}",
            "Remove one of the two.",
            field=name,
        )
        return
    opening, name = header[1], header[2]
    for number, row in enumerate(at.rows[: at.number - 1], 1):
        other = _HEADER.match(row)
        if other is None or other[2] != name:
            continue
        if other[1] != opening:
            wrong, right = (at.number, number) if opening == "[" else (number, at.number)
            yield at.tell(
                f"[{name}]",
                f"[[{name}]] in double brackets, as in line {right}: the two can't stand together",
                f"Write [[{name}]].",
                line=wrong,
            )
        else:
            yield at.tell(
                f"a second [{name}]",
                f"one table of that name (line {number} has it)",
                "Put the keys of both into one table.",
            )
        return
    yield at.tell(
        f"a second {name}",
        "each table in one place: under a header, or as key = value",
        "Put the keys of both into one table.",
    )


def _earlier_key(at: _Place, name: str) -> int | None:
    for number in range(at.number - 1, 0, -1):
        row = at.rows[number - 1]
        if row.lstrip().startswith("[") and _HEADER.match(row):
            return None
        if (pair := _PAIR.match(row)) and pair[1] == name:
            return number
    return None


def _braces(at: _Place) -> Iterator[Told]:
    hidden = _STRING.sub("x", at.bare)
    if hidden.count("{") <= hidden.count("}"):
        if re.search(r",\s*\}", hidden):
            yield at.tell(at.shown, "no comma before }", "Remove the comma before }.")
        return
    if not any(_wrong_values(at.bare)):
        yield at.tell(
            at.shown,
            "a table in braces that begins and ends on one line",
            "Write it on one line, with } at its end.",
        )


def _statement(at: _Place) -> Iterator[Told]:
    bare = at.bare
    if colon := re.fullmatch(rf"({_KEY})\s*:\s*(.*)", bare):
        line = _mended(colon[1], colon[2]) or f"{colon[1]} = and its value"
        yield at.tell(at.shown, "key = value, with = between the two", f"Write {line}.")
    elif re.match(r"//|/\*|;|--|%|!", bare):
        yield at.tell(at.shown, "a comment that begins with #", "Begin the line with #.")
    elif re.match(r"[-*]\s", bare):
        yield at.tell(
            at.shown, "a list in square brackets", 'Write for example to = ["keeper@example.org"].'
        )
    elif bare.startswith("[") and "=" not in bare:
        name = bare.strip("[]").strip()
        table, _, rest = name.partition(".")
        marks = ("[[", "]]") if bare.startswith("[[") else ("[", "]")
        guesses = [name.join(marks)]
        if rest and '"' not in rest:
            guesses.append(f"{table}.{quoted(rest)}".join(marks))
        header = next(filter(_parses, guesses), "")
        yield at.tell(
            at.shown,
            'a header such as [specimen], [[probes]] or [curves."my fir"]: names of more than '
            "letters, digits, _ and - in quotes",
            f"Write {header}." if header else "Correct the header.",
        )
    elif at.reason.startswith("Unclosed array"):
        yield at.tell(
            at.shown,
            "a list with ] at its end and a comma between each two of its entries",
            "Add what is missing, here or in the lines before.",
        )


def _values(at: _Place) -> Iterator[Told]:
    yield from (
        at.tell(found, expected, remedy, field=field)
        for field, found, expected, remedy in _wrong_values(at.bare)
    )


def _wrong_values(bare: str) -> Iterator[tuple[str, str, str, str]]:
    pair = _PAIR.fullmatch(bare)
    pairs = [(pair[1], pair[2])] if pair and not re.search(r"[{\[]", pair[2]) else []
    if not pairs:
        if comma := re.search(rf"({_KEY})\s*=\s*([+-]?\d+,\d+)(?=\s*[,}}])", bare):
            pairs.append((comma[1], comma[2]))
        pairs += [(inner[1], inner[2]) for inner in _INNER.finditer(bare)]
    for key, value in pairs:
        if value and _parses(f"{key} = {value}"):
            continue
        expected, remedy = _value_words(key, value)
        yield key, _short(value) if value else "without a value", expected, remedy


def _value_words(key: str, value: str) -> tuple[str, str]:
    number = re.fullmatch(r"([+-]?\d+(?:[.,]\d+)?)\s*([^\W\d_%°µ].*|[%°µ].*)", value)
    mended = _mended(key, value)
    write = f"Write {mended}." if mended else "Correct it."
    if not value:
        return "a value after =", f"Write a value, or remove {key}."
    if re.fullmatch(r"[+-]?\d+,\d+", value):
        return "a decimal point", write
    if re.fullmatch(r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}", value):
        return (
            "a day of the calendar, as year-month-day",
            write if mended else f"Write for example {key} = 2026-05-04.",
        )
    if value.lower() in _WORDS:
        return "true or false, in small letters", write
    if value.lower() in ("none", "null", "nil"):
        return "a value", f"Remove {key} if it has none."
    if number:
        bare = number[1].replace(",", ".")
        return (
            "a bare number, without its unit",
            f"Write {key} = {bare} if the field is in {number[2]}, otherwise convert it.",
        )
    if value[-1:] in ",;" and mended:
        return "nothing after the value", write
    if re.fullmatch(r"[+-]?[\d.' _]+", value):
        return "a number with plain digits, and digits on both sides of its point", write
    return "text in quotation marks, a number, or true or false", write


def _mended(key: str, value: str) -> str:
    """The pair as it was most likely meant, or nothing."""
    guesses = [value]
    if re.fullmatch(r"[+-]?\d+,\d+", value):
        guesses.append(value.replace(",", "."))
    if parts := re.fullmatch(r"(\d{1,2})\.(\d{1,2})\.(\d{4})", value):
        guesses.append(_iso(parts[3], parts[2], parts[1]))
    if parts := re.fullmatch(r"(\d{4})[-./](\d{1,2})[-./](\d{1,2})", value):
        guesses.append(_iso(parts[1], parts[2], parts[3]))
    if re.fullmatch(r"[+-]?[\d.' _]+", value) and value.count(".") <= 1:
        sign = "-" if value.startswith("-") else ""
        whole, point, rest = re.sub(r"[^\d.]", "", value).partition(".")
        guesses.append(f"{sign}{whole.lstrip('0') or '0'}{point}{rest or '0' * len(point)}")
    guesses.append(_WORDS.get(value.lower(), ""))
    guesses.append(value.rstrip(",;").rstrip())
    if re.match(r"[^\W\d]|/", value) and not re.search(r"[\"'=\[\]{}]", value):
        guesses.append(quoted(value.rstrip(",;")))
    for guess in guesses:
        if guess and _parses(f"{key} = {guess}"):
            return f"{key} = {guess}"
    return ""


def _iso(year: str, month: str, day: str) -> str:
    try:
        return date(int(year), int(month), int(day)).isoformat()
    except ValueError:
        return ""
