"""The file system that drops what was not synced: it drops it, and the service outlives that."""

import fcntl
import mmap
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from faults import fuse
from faults.__main__ import GROUPS
from faults.fusemount import Mounted, why_not
from faults.platter import PAGE

pytestmark = [
    pytest.mark.skipif(why_not() is not None, reason=f"no file system of our own: {why_not()}"),
    pytest.mark.xdist_group("fuse"),
]
SEED = 5


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Mounted]:
    """One that is mounted and empty."""
    mounted = Mounted(tmp_path / "disk", tmp_path / "mount", seed="test")
    yield mounted
    mounted.close()


def committed(mount: Path, commits: int, *, synchronous: str) -> sqlite3.Connection:
    """A database into which so many rows were written, a commit each; open, for closing writes."""
    db = sqlite3.connect(mount / "some.db", isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute(f"PRAGMA synchronous = {synchronous}")
    db.execute("CREATE TABLE IF NOT EXISTS note (says TEXT)")
    for _ in range(commits):
        db.execute("INSERT INTO note VALUES (?)", ("x" * 500,))
    return db


def rows_left(folder: Path) -> int:
    """How many rows are on the disk; -1 for a database that is damaged or gone."""
    try:
        with closing(sqlite3.connect(f"{(folder / 'some.db').as_uri()}?mode=rw", uri=True)) as db:
            whole = db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            (rows,) = db.execute("SELECT count(*) FROM note").fetchone()
            return int(rows) if whole else -1
    except sqlite3.Error:
        return -1


def test_it_does_what_a_database_asks_of_a_file_system(disk: Mounted) -> None:
    one, two = disk.mount / "one", disk.mount / "two"
    one.write_bytes(bytes(2 * PAGE))
    with one.open("r+b") as file, mmap.mmap(file.fileno(), 2 * PAGE) as shared:
        with one.open("r+b") as other, mmap.mmap(other.fileno(), 2 * PAGE) as same:
            shared[PAGE : PAGE + 4] = b"here"
            assert same[PAGE : PAGE + 4] == b"here"
        lock = os.open(one, os.O_RDWR)
        fcntl.flock(file, fcntl.LOCK_EX)
        with pytest.raises(BlockingIOError):
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        os.close(lock)
    two.write_bytes(b"2")
    with one.open("rb") as still_open:
        two.replace(one)
        assert still_open.read(4) == bytes(4)
        assert one.read_bytes() == b"2"
        one.unlink()
        assert list(disk.mount.iterdir()) == []
    (disk.mount / "folder").mkdir()
    assert (disk.mount / "folder").is_dir()
    (disk.mount / "folder").rmdir()
    with pytest.raises(FileNotFoundError):
        one.stat()


def test_a_database_that_syncs_keeps_every_commit(tmp_path: Path) -> None:
    for life in range(6):
        with closing(Mounted(tmp_path / "disk", tmp_path / "mount", seed=f"{life}")) as disk:
            assert life == 0 or rows_left(disk.mount) == 20 * life
            with closing(committed(disk.mount, 20, synchronous="FULL")):
                disk.cut()


def test_a_database_that_does_not_sync_loses_commits_or_is_damaged(tmp_path: Path) -> None:
    found = []
    for life in range(6):
        folder = tmp_path / f"disk {life}"
        with closing(Mounted(folder, tmp_path / "mount", seed=f"{life}")) as disk:
            with closing(committed(disk.mount, 20, synchronous="OFF")) as db:
                (rows,) = db.execute("SELECT count(*) FROM note").fetchone()
                disk.cut()
            assert rows == 20  # as long as the power lasts, all is well
        found.append(rows_left(folder))
    assert any(rows < 20 for rows in found), found


def test_the_power_goes_in_the_midst_of_a_change_and_nobody_is_told_that_it_was_done(
    disk: Mounted,
) -> None:
    disk.cut_in(3)
    with (disk.mount / "file").open("wb", buffering=0) as file:  # a name, and a write
        file.write(b"1")
        with pytest.raises(OSError, match="Input/output error"):
            file.write(b"2")
        with pytest.raises(OSError, match="Input/output error"):
            (disk.mount / "other").touch()
    assert disk.gone(0) is not None


def test_the_service_outlives_a_few_power_cuts() -> None:
    assert "fuse" in GROUPS["deploy"]
    outcome = fuse.campaign(seed=SEED, short=True)
    assert outcome.untried is None
    assert outcome.lost == 0, outcome


def test_a_disk_that_lies_about_syncs_is_found_out() -> None:
    # When the power goes is chance: all of what was written may have come down.
    tries = (fuse.campaign(seed=SEED + n, short=True, careless=True) for n in range(3))
    assert any(outcome.lost > 0 for outcome in tries)
