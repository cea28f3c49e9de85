"""Where in a TOML text each key stands. `tomllib` doesn't say, and a mistake needs its line."""

import re
import tomllib
from bisect import bisect_left
from collections.abc import Mapping
from functools import cached_property

# A place in a parsed TOML document: keys of tables, indices of arrays, from the top.
KeyPath = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*"{3,5}'  # up to two quotes may stand before the closing three
    r"|'''(?:[^']|'{1,2}(?!'))*'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_PLAIN = re.compile(r"[^,\]}\n#]*")  # a number, a boolean or a date


class Lines:
    r"""The line of every key and array element of one text.

    A table stands where its header does, a key where it is written, an element of an array where it
    begins. A table that no header opens stands where it is first mentioned.

    Parameters
    ----------
    text : str
        A document that `tomllib` has accepted, line ends as ``\n``. Only its layout is looked at
        here; nothing is checked again.
    """

    def __init__(self, text: str) -> None:
        self._text = text

    @cached_property
    def _lines(self) -> Mapping[KeyPath, int]:
        """Found once somebody asks: a text without mistakes is not asked for lines."""
        scanner = _Scanner(self._text)
        scanner.document()
        return scanner.lines

    def of(self, path: KeyPath) -> int:
        """Line of `path`, from 1; of the nearest thing around it where `path` itself is absent."""
        while path and path not in self._lines:
            path = path[:-1]
        return self._lines.get(path, 1)

    def known(self) -> frozenset[KeyPath]:
        """Every path that has a line of its own."""
        return frozenset(self._lines)


class _Scanner:
    """Walks the text once, from the first character to the last."""

    def __init__(self, text: str) -> None:
        self.lines: dict[KeyPath, int] = {}
        self._text = text
        self._at = 0
        self._line_ends = [match.start() for match in re.finditer("\n", text)]
        self._lengths: dict[KeyPath, int] = {}  # of the arrays of tables, so far

    def document(self) -> None:
        here: KeyPath = ()
        while self._peek_after(_BLANK):
            line = self._line()
            if self._take("[["):
                here = self._array_header(self._key(), line=line)
                self._take("]]")
            elif self._take("["):
                here = self._resolve(self._key(), line=line)
                self.lines[here] = line
                self._take("]")
            else:
                self._pair(here)

    def _array_header(self, key: KeyPath, *, line: int) -> KeyPath:
        array = (*self._resolve(key[:-1], line=line), key[-1])
        index = self._lengths.get(array, 0)
        self._lengths[array] = index + 1
        self.lines.setdefault(array, line)
        self.lines[(*array, index)] = line
        return (*array, index)

    def _resolve(self, key: KeyPath, *, line: int) -> KeyPath:
        # In a header the name of an array of tables means its last element so far.
        path: KeyPath = ()
        for part in key:
            path = (*path, part)
            if path in self._lengths:
                path = (*path, self._lengths[path] - 1)
            self.lines.setdefault(path, line)
        return path

    def _pair(self, table: KeyPath) -> None:
        line = self._line()
        path = table
        for part in self._key():
            path = (*path, part)
            self.lines.setdefault(path, line)
        self._take("=")
        self._value(path)

    def _key(self) -> KeyPath:
        parts: list[str] = []
        while True:
            self._match(_SPACE)
            if self._text[self._at] in "\"'":
                parts.append(str(tomllib.loads(f"key = {self._match(_STRING)}")["key"]))
            else:
                parts.append(self._match(_BARE_KEY))
            self._match(_SPACE)
            if not self._take("."):
                return tuple(parts)

    def _value(self, path: KeyPath) -> None:
        first = self._peek_after(_SPACE)
        if first == "[":
            self._array(path)
        elif first == "{":
            self._inline_table(path)
        else:
            self._match(_STRING if first in "\"'" else _PLAIN)

    def _array(self, path: KeyPath) -> None:
        self._take("[")
        index = 0
        while self._peek_after(_BLANK) != "]":
            self.lines[(*path, index)] = self._line()
            self._value((*path, index))
            self._match(_BLANK)
            self._take(",")
            index += 1
        self._take("]")

    def _inline_table(self, path: KeyPath) -> None:
        self._take("{")
        while self._peek_after(_BLANK) != "}":
            self._pair(path)
            self._match(_BLANK)
            self._take(",")
        self._take("}")

    def _match(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._at)
        if match is None:
            raise ValueError(f"line {self._line()} is not TOML; parse the text before locating it")
        self._at = match.end()
        return match.group()

    def _take(self, mark: str) -> bool:
        found = self._text.startswith(mark, self._at)
        if found:
            self._at += len(mark)
        return found

    def _peek_after(self, pattern: re.Pattern[str]) -> str:
        self._match(pattern)
        return self._text[self._at : self._at + 1]

    def _line(self) -> int:
        return bisect_left(self._line_ends, self._at) + 1
