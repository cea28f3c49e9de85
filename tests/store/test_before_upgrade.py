"""Before a newer version changes a record's tables, a copy of it is kept as it was."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from disks import fill, small_disk
from longsoak.store.beforeupgrade import COPY
from longsoak.store.files import RECORD
from longsoak.store.migrations import ALL
from longsoak.store.reader import Record
from longsoak.store.writer import RecordWriter

KEPT = sorted(path for path in (Path(__file__).parent / "kept").iterdir() if path.is_dir())
OLDEST = KEPT[0] / RECORD
NOW = "2031-02-03T04:05:06Z"


def contents(path: Path) -> list[str]:
    """All of a database as statements."""
    with closing(sqlite3.connect(path)) as db:
        return list(db.iterdump())


def told(folder: Path) -> list[str]:
    """What events say of upgrades."""
    with closing(sqlite3.connect(folder / RECORD)) as db:
        return [says for (says,) in db.execute("SELECT says FROM event WHERE kind = 'upgrade'")]


@pytest.mark.parametrize("kept", KEPT, ids=lambda path: path.name)
def test_what_a_release_wrote_lies_there_unchanged_after_the_upgrade(
    kept: Path, tmp_path: Path
) -> None:
    shutil.copy(kept / RECORD, tmp_path)
    before = contents(tmp_path / RECORD)
    with closing(sqlite3.connect(tmp_path / RECORD)) as db:
        seen = {name for (name,) in db.execute("SELECT name FROM migration")}
    RecordWriter(tmp_path, now=NOW).close()
    lacked = [migration.__name__ for migration in ALL if migration.__name__ not in seen]
    if not lacked:
        assert not (tmp_path / COPY).exists()
        assert told(tmp_path) == []
        return
    assert contents(tmp_path / COPY) == before
    (says,) = told(tmp_path)
    assert all(name in says for name in lacked)
    assert f"lies in {COPY}" in says


def test_opening_it_again_or_a_new_one_copies_nothing(tmp_path: Path) -> None:
    RecordWriter(tmp_path / "new", now=NOW).close()
    assert not (tmp_path / "new" / COPY).exists()
    shutil.copy(OLDEST, tmp_path)
    RecordWriter(tmp_path, now=NOW).close()
    (tmp_path / COPY).unlink()
    RecordWriter(tmp_path, now=NOW).close()
    assert not (tmp_path / COPY).exists()
    assert len(told(tmp_path)) == 1


def test_where_there_is_no_room_for_a_copy_the_rig_goes_on_and_says_so(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", megabytes=20) as disk:
        shutil.copy(OLDEST, disk)
        expected = len(Record(disk).scans_after(0, limit=1_000_000))
        ballast = fill(disk, but=4_000_000)
        RecordWriter(disk, now=NOW).close()
        ballast.unlink()
        assert [path.name for path in disk.glob("before-*")] == []
        (says,) = told(disk)
        assert "without a copy of it as it was: 4.0 MB are free" in says
        assert len(Record(disk).scans_after(0, limit=1_000_000)) == expected


def test_a_copy_that_was_cut_off_is_not_taken_for_one(tmp_path: Path) -> None:
    shutil.copy(OLDEST, tmp_path)
    (tmp_path / f"{COPY}.part").write_bytes(b"half of it")
    before = contents(tmp_path / RECORD)
    RecordWriter(tmp_path, now=NOW).close()
    assert [path.name for path in tmp_path.glob("before-*")] == [COPY]
    assert contents(tmp_path / COPY) == before
