"""What is damaged of sealed scans is told, is never taken for a reading, and hides no others."""

import random
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from longsoak.store.files import RECORD
from longsoak.store.reader import Record
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.errors import StoreError
from store.test_sealing import T0, Kept, fill

PROBES = ("a", "b", "c", "level")
SEALED = ("sealed", "sealed_readings", "sealed_readings_probe", "sqlite_autoindex_sealed_1")
RANGES = ((T0, T0 + 10**6), (T0 + 30_500, T0 + 90_500), (T0 + 250_000, T0 + 290_000))
LIVE = RANGES[2]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record of 300 scans, the newest 60 of them rows."""
    folder = tmp_path_factory.mktemp("whole")
    writer = RecordWriter(folder, now="2026-05-04T09:00:00.000Z")
    writer.accept_rig("", utc_ms=T0)
    writer.begin_run(boot="b", software="0", utc_ms=T0, boottime_ms=0, synchronised=True)
    kept = Kept(folder, writer)
    fill(kept, 300)
    kept.seal()
    assert kept.live() == 60
    writer.fold_in()
    writer.close()
    return folder


@pytest.fixture
def copy(whole: Path, tmp_path: Path) -> Path:
    (tmp_path / RECORD).write_bytes((whole / RECORD).read_bytes())
    return tmp_path


def looks(folder: Path) -> Iterator[Callable[[], str]]:
    """Every way of reading what may be sealed, but for `latest`."""
    record = Record(folder)
    for since, until in RANGES:
        span = {"since_ms": since, "until_ms": until}
        for probe in PROBES:
            yield lambda probe=probe, span=span: repr(record.series(probe, **span))  # type: ignore[misc]
        yield lambda span=span: repr(record.reduced(PROBES, buckets=7, **span))  # type: ignore[misc]
        yield lambda span=span: repr(record.last_values(PROBES, **span))  # type: ignore[misc]
        yield lambda span=span: repr(  # type: ignore[misc]
            {
                probe: [getattr(columns, name).tolist() for name in columns.__slots__]
                for probe, columns in record.columns(PROBES, **span).items()
            }
        )
    yield lambda: repr(record.scans_after(0, limit=400))
    yield lambda: repr(record.scan_before(200, seconds=100))


def found(folder: Path) -> list[str | None]:
    """What each way of reading says; None if it tells of damage."""
    said: list[str | None] = []
    for look in looks(folder):
        try:
            said.append(look())
        except StoreError:
            said.append(None)
    return said


def test_a_bit_that_flips_anywhere_in_what_is_sealed_never_makes_a_wrong_reading(
    whole: Path, tmp_path: Path
) -> None:
    right, data = found(whole), (whole / RECORD).read_bytes()
    with closing(sqlite3.connect(whole / RECORD)) as db:
        (size,) = db.execute("PRAGMA page_size").fetchone()
        pages = [
            page
            for name in SEALED
            for (page,) in db.execute("SELECT pageno FROM dbstat WHERE name = ?", (name,))
        ]
    chance = random.Random(5)  # noqa: S311 - where to flip
    told = 0
    for _ in range(40):
        flipped = bytearray(data)
        at = (chance.choice(pages) - 1) * size + chance.randrange(size)
        flipped[at] ^= 1 << chance.randrange(8)
        (tmp_path / RECORD).write_bytes(flipped)
        said = found(tmp_path)
        assert [a for a, b in zip(said, right, strict=True) if a not in (None, b)] == [], at
        told += None in said
    assert told > 5


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE sealed_readings SET readings = (SELECT readings FROM sealed_readings AS other"
        " WHERE other.sealed = 2 AND other.probe = 3) WHERE sealed = 2 AND probe = 1",
        "UPDATE sealed_readings SET readings = (SELECT readings FROM sealed_readings AS other"
        " WHERE other.sealed = 1 AND other.probe = 1) WHERE sealed = 2 AND probe = 1",
        "UPDATE probe SET name = 'x' || name",
        "DELETE FROM sealed_readings WHERE probe = (SELECT id FROM probe WHERE name = 'a')",
        "UPDATE sealed SET first_scan = first_scan + 16 WHERE id = 2",
        "UPDATE sealed SET last_scan = last_scan - 8 WHERE id = 2",
        "UPDATE sealed SET first_utc_ms = first_utc_ms + 65536 WHERE id = 2",
        "DELETE FROM sealed WHERE id = 2",
        "DELETE FROM sealed WHERE id = 1",
    ],
)
def test_what_belongs_to_a_block_is_told_if_it_is_gone_or_another_s(
    whole: Path, copy: Path, damage: str
) -> None:
    with closing(sqlite3.connect(copy / RECORD)) as db, db:
        db.execute(damage)
    right, said = found(whole), found(copy)
    assert None in said
    rows = said.pop(-2)  # whoever copies scans gets those that are there, and `audit` tells
    del right[-2]
    assert rows is None or damage.startswith("DELETE FROM sealed WHERE")
    assert [a for a, b in zip(said, right, strict=True) if a not in (None, b)] == []
    since, until = LIVE  # what does not need the damaged block is read as before
    if "first_scan" not in damage and "WHERE id = 1" not in damage:
        live = Record(copy).series("a", since_ms=since, until_ms=until)
        assert live == Record(whole).series("a", since_ms=since, until_ms=until)


def test_a_scan_that_is_not_there_is_told_in_a_sentence(copy: Path) -> None:
    with closing(sqlite3.connect(copy / RECORD)) as db, db:
        db.execute("UPDATE stretch SET first_scan = 0")
    with pytest.raises(StoreError, match=r"scan 0 is not in it.*longsoak audit"):
        Record(copy).first_utc_ms()
