"""Line numbers of keys: what `tomllib` reads must be found where it was written."""

import json
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.rigfile.lines import KeyPath, Lines

HERE = Path(__file__).parent


def paths_in(value: object, path: KeyPath = ()) -> list[KeyPath]:
    """Every key and element below a value."""
    if isinstance(value, dict):
        return [
            inner for key, item in value.items() for inner in ((*path, key), *_in(item, path, key))
        ]
    if isinstance(value, list):
        return [
            inner for at, item in enumerate(value) for inner in ((*path, at), *_in(item, path, at))
        ]
    return []


def _in(item: object, path: KeyPath, part: str | int) -> list[KeyPath]:
    return paths_in(item, (*path, part))


@pytest.mark.parametrize(
    ("text", "path", "line"),
    [
        ("a = 1\nb = 2", ("b",), 2),
        ("# only words = 1\n\n[t]\n  key=1", ("t", "key"), 4),
        ("[t]\nx = 1\n[[u]]\n[[u]]\nx = 1", ("u", 1), 4),
        ("[t]\nx = 1\n[[u]]\n[[u]]\nx = 1", ("u",), 3),
        ("[t]\nx = 1\n[[u]]\n[[u]]\nx = 1", ("u", 1, "x"), 5),
        ("[[u]]\n[u.v]\nx = 1\n[[u]]\n[u.v]\nx = 2", ("u", 1, "v", "x"), 6),
        ("[[u]]\n[[u.v]]\n[[u.v]]\nx = 1\n[[u]]\n[[u.v]]\nx = 2", ("u", 1, "v", 0, "x"), 7),
        ("[a.b]\nx = 1\n[a]\ny = 1", ("a",), 3),
        ("[a.b]\nx = 1", ("a",), 1),
        ("a.b.c = 1\na.b.d = 2", ("a", "b", "d"), 2),
        ("a . 'b c' . \"d\\u0065\" = 1", ("a", "b c", "de"), 1),
        ("'a.b' = 1\n\"[c]\" = 2", ("[c]",), 2),
        ("[ 'a.b' . c ]\nx = 1", ("a.b", "c", "x"), 2),
        ("a = [\n  1,\n  # 9,\n  2, 3,\n]\nb = 1", ("a", 1), 4),
        ("a = [\n  1,\n  # 9,\n  2, 3,\n]\nb = 1", ("b",), 6),
        ("a = [\n  { x = 1, y = [\n 1, 2 ] },\n  { x = 2 },\n]", ("a", 0, "y", 1), 3),
        ("a = [\n  { x = 1, y = [\n 1, 2 ] },\n  { x = 2 },\n]", ("a", 1, "x"), 4),
        ("a = { b.c = 1, 'd' = { e = 2 } }\nf = 1", ("a", "d", "e"), 1),
        ('a = """\nb = 1\n"""\nc = 1', ("c",), 4),
        ('a = """x\n""y" \\""" "\n"""""\nc = 1', ("c",), 4),
        ("a = '''\n[t]\n''x'\n'''''\nc = 1", ("c",), 5),
        ('a = "]#" # b = 1\nc = \'x"\'\nd = 1', ("d",), 3),
        ("a = 1979-05-27 07:32:00 # then\nb = [1979-05-27, +inf, 0x1F]\nc = 1", ("c",), 3),
        ("a = []\nb = {}\nc = [[], [[]]]\nd = 1", ("c", 1, 0), 3),
        ("a = []\nb = {}\nc = [[], [[]]]\nd = 1", ("d",), 4),
    ],
)
def test_a_key_is_found_on_its_line(text: str, path: KeyPath, line: int) -> None:
    found = Lines(text)

    assert found.known() == set(paths_in(tomllib.loads(text)))
    assert found.of(path) == line


def test_what_is_absent_is_found_where_it_would_stand() -> None:
    lines = Lines("a = 1\n[[t]]\nx = 1\n[[t]]\ny = { z = 1 }")

    assert lines.of(("t", 1, "x")) == 4
    assert lines.of(("t", 1, "y", "w", 3)) == 5
    assert lines.of(("nothing",)) == 1


@pytest.mark.parametrize("file", sorted(HERE.glob("**/*.toml")), ids=lambda file: file.stem)
def test_every_key_of_a_file_is_found_on_a_line_that_holds_it(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        assert file.stem == "not_toml"
        return
    lines = Lines(text)

    assert lines.known() == set(paths_in(data))
    for path in paths_in(data):
        if isinstance(path[-1], str):
            assert path[-1] in text.splitlines()[lines.of(path) - 1]


class Writer:
    """Writes random data as TOML in many styles, and remembers on which line each thing went."""

    def __init__(self, draw: st.DrawFn) -> None:
        self._draw = draw
        self.text = ""
        self.lines: dict[KeyPath, int] = {}

    def mark(self, path: KeyPath) -> None:
        self.lines.setdefault(path, self.text.count("\n") + 1)

    def gap(self, *, breaks: bool) -> None:
        """White space, with comments and line ends where they may stand."""
        gaps = ["", " ", "\t "] + (["\n", " # x = [1] \n", "\n\n  "] if breaks else [])
        self.text += self._draw(st.sampled_from(gaps))

    def key(self, key: str) -> None:
        bare = key.replace("-", "a").replace("_", "a").isalnum() and key.isascii()
        styles = [json.dumps(key)] + ([key] if bare else [])
        if "'" not in key and key.isprintable():
            styles.append(f"'{key}'")
        self.text += self._draw(st.sampled_from(styles))

    def string(self, value: str) -> None:
        styles = [json.dumps(value), f'"""\n{json.dumps(value)[1:-1]}"""']
        if "'" not in value and value.isprintable():
            styles += [f"'{value}'", f"'''{value}'''"]
        if value.endswith('"') and value.isprintable() and "\\" not in value and '""' not in value:
            styles.append(f'"""{value}"""')  # four quotes at the end
        self.text += self._draw(st.sampled_from(styles))

    def value(self, value: object, path: KeyPath) -> None:
        if isinstance(value, dict):
            self.text += "{"
            for at, (key, item) in enumerate(value.items()):
                self.text += ", " if at else ""
                self.pair(key, item, path)
            self.text += "}"
        elif isinstance(value, list):
            self.text += "["
            for at, item in enumerate(value):
                self.gap(breaks=True)
                self.mark((*path, at))
                self.value(item, (*path, at))
                self.gap(breaks=True)
                self.text += ","
            self.gap(breaks=True)
            self.text += "]"
        elif isinstance(value, str):
            self.string(value)
        else:
            self.text += "true" if value is True else repr(value)

    def pair(self, key: str, item: object, path: KeyPath) -> None:
        self.gap(breaks=False)
        self.mark((*path, key))
        self.key(key)
        self.gap(breaks=False)
        # {"a": {"b": 1}} may be written a.b = 1 as well
        if isinstance(item, dict) and len(item) == 1 and self._draw(st.booleans()):
            [(inner, inner_item)] = item.items()
            self.text += "."
            self.pair(inner, inner_item, (*path, key))
            return
        self.text += "="
        self.gap(breaks=False)
        self.value(item, (*path, key))

    def table(self, table: dict[str, object], path: KeyPath, header: list[str]) -> None:
        """Plain keys first, since what follows a header belongs to it."""
        later: list[tuple[str, object]] = []
        for key, item in table.items():
            tables = isinstance(item, dict) or (
                isinstance(item, list) and item and all(isinstance(one, dict) for one in item)
            )
            if tables and self._draw(st.booleans()):
                later.append((key, item))
                continue
            self.gap(breaks=True)
            self.pair(key, item, path)
            self.text += self._draw(st.sampled_from(["\n", " # [t]\n"]))
        for key, item in later:
            for at, one in enumerate(item if isinstance(item, list) else [item]):
                inner = (*path, key, at) if isinstance(item, list) else (*path, key)
                self.gap(breaks=True)
                self.mark((*path, key))
                self.mark(inner)
                self.header([*header, key], double=isinstance(item, list))
                self.table(one, inner, [*header, key])

    def header(self, keys: list[str], *, double: bool) -> None:
        self.text += "[[" if double else "["
        for at, key in enumerate(keys):
            self.text += "." if at else ""
            self.gap(breaks=False)
            self.key(key)
            self.gap(breaks=False)
        self.text += "]]\n" if double else "]\n"


KEYS = st.text(st.sampled_from("ab-_1.#='\"[] é\n"), min_size=1, max_size=3)
PLAIN = st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.just(True)
TEXTS = st.text(st.sampled_from("ab#=,]}'\" \\\né"), max_size=6)
VALUES = st.recursive(
    PLAIN | TEXTS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=12,
)


@given(data=st.data(), document=st.dictionaries(KEYS, VALUES, max_size=4))
def test_any_document_in_any_style_has_every_key_on_its_line(
    data: st.DataObject, document: dict[str, object]
) -> None:
    @st.composite
    def written(draw: st.DrawFn) -> Writer:
        writer = Writer(draw)
        writer.table(document, (), [])
        return writer

    writer = data.draw(written())

    assert tomllib.loads(writer.text) == document
    found = Lines(writer.text)
    assert {path: found.of(path) for path in found.known()} == writer.lines
