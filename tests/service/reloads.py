"""A `longsoak run` whose rig file changes, and what its record says of that."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from longsoak.store.reader import Record
from longsoak.vocabulary.errors import StoreError
from processes import Running, running
from waiting import wait_for


def scans(folder: Path) -> int:
    try:
        return Record(folder / "record").version()[0]
    except StoreError:
        return 0


@contextmanager
def measuring(rig_file: Path, *, program: str | None = None) -> Iterator[Running]:
    """A run that has scans already."""
    before = scans(rig_file.parent)
    with running(rig_file, program=program) as run:
        wait_for(lambda: scans(rig_file.parent) > before + 2, what="scans")
        yield run


def go_on(rig_file: Path, count: int = 3) -> None:
    """Wait for some more scans."""
    before = scans(rig_file.parent)
    wait_for(lambda: scans(rig_file.parent) > before + count, what="more scans")


def change(rig_file: Path, old: str, new: str, count: int = -1) -> None:
    """Write the file with something else in it, in one step."""
    text = rig_file.read_text()
    assert old in text
    fresh = rig_file.with_suffix(".fresh")
    fresh.write_text(text.replace(old, new, count))
    fresh.replace(rig_file)


def rows(folder: Path, query: str, *given: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(folder / "record" / "record.db")) as db:
        return db.execute(query, given).fetchall()


def events(folder: Path, kind: str) -> list[str]:
    found = rows(folder, "SELECT says FROM event WHERE kind = ? ORDER BY id", kind)
    return [str(says) for (says,) in found]


def versions_in_turn(folder: Path) -> list[object]:
    """The version of each scan, each run of the same ones once."""
    found: list[object] = []
    for (number,) in rows(
        folder,
        "SELECT rig_version FROM scan JOIN layout ON layout.id = scan.layout ORDER BY scan.id",
    ):
        if found[-1:] != [number]:
            found.append(number)
    return found


def whole(folder: Path) -> None:
    """Assert that the file is sound and no scan id is missing."""
    assert rows(folder, "PRAGMA integrity_check") == [("ok",)]
    ((count, top),) = rows(folder, "SELECT count(*), ifnull(max(id), 0) FROM scan")
    assert count == top
