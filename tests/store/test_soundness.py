"""Looking the record over for damage, and folding its log in."""

import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from longsoak.store.files import RECORD
from longsoak.store.soundness import Verdict, look
from rigs import Keeper, small_rig

NAMES = tuple(probe.name for probe in small_rig().probes)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with Keeper(tmp_path, small_rig()) as keeper:
        keeper.scans([dict.fromkeys(NAMES, float(n)) for n in range(2000)])
    return tmp_path


def damage_the_middle(folder: Path) -> None:
    file = folder / RECORD
    with closing(sqlite3.connect(file)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (size,) = db.execute("PRAGMA page_size").fetchone()
    content = bytearray(file.read_bytes())
    middle = len(content) // size // 2 * size
    content[middle : middle + size] = b"\xa5" * size
    file.write_bytes(content)


def as_a_program(folder: Path, *more: str) -> tuple[int, str]:
    command = [sys.executable, "-m", "longsoak.store.soundness", str(folder), *more]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)
    assert done.stderr == ""
    return done.returncode, done.stdout


@pytest.mark.parametrize("whole", [False, True])
def test_a_whole_record_has_no_fault(folder: Path, whole: bool) -> None:
    assert look(folder, whole=whole) == (Verdict.WHOLE, "the record is whole")


@pytest.mark.parametrize("more", [(), ("whole",)])
def test_the_program_says_the_same_in_its_exit_code(folder: Path, more: tuple[str, ...]) -> None:
    assert as_a_program(folder, *more) == (Verdict.WHOLE, "the record is whole")
    damage_the_middle(folder)
    code, says = as_a_program(folder, *more)
    assert code == Verdict.DAMAGED
    assert says


def test_a_damaged_page_is_found(folder: Path) -> None:
    damage_the_middle(folder)
    assert look(folder)[0] is Verdict.DAMAGED


def test_an_index_that_lacks_a_row_is_found_by_the_weekly_look_only(folder: Path) -> None:
    with closing(sqlite3.connect(folder / RECORD, isolation_level=None)) as db:
        db.execute("INSERT INTO probe VALUES (1, 'A'), (2, 'B')")
        (root,) = db.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'sqlite_autoindex_probe_1'"
        ).fetchone()
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (size,) = db.execute("PRAGMA page_size").fetchone()
    file = folder / RECORD
    content = bytearray(file.read_bytes())
    page = content[(root - 1) * size : root * size]
    assert page.count(b"A") == 1
    content[(root - 1) * size + page.index(b"A")] = ord("C")
    file.write_bytes(content)
    assert look(folder)[0] is Verdict.WHOLE
    assert look(folder, whole=True)[0] is Verdict.DAMAGED


def test_what_is_no_record_or_not_there_is_told_apart(tmp_path: Path) -> None:
    assert look(tmp_path)[0] is Verdict.NOT_SEEN
    (tmp_path / RECORD).write_bytes(b"nothing of the sort" * 100)
    assert look(tmp_path)[0] is Verdict.DAMAGED


def test_a_log_held_open_by_a_reader_is_told_and_holds_nobody_up(tmp_path: Path) -> None:
    with Keeper(tmp_path, small_rig()) as keeper:
        keeper.scan({"C 10/60": 1.0})
        with closing(sqlite3.connect(tmp_path / RECORD, isolation_level=None)) as reader:
            reader.execute("BEGIN")
            reader.execute("SELECT count(*) FROM scan").fetchone()
            keeper.scan({"C 10/60": 2.0})
            start = time.monotonic()
            assert "a reader holds it open" in (keeper.writer.fold_in() or "")
            assert time.monotonic() - start < 5
            keeper.scan({"C 10/60": 3.0})
        assert keeper.writer.fold_in() is None
        assert (tmp_path / f"{RECORD}-wal").stat().st_size == 0
