"""Looking the record over for damage, and folding its log in."""

import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest

from longsoak.store.files import RECORD
from longsoak.store.soundness import fault
from rigs import Keeper, small_rig

NAMES = tuple(probe.name for probe in small_rig().probes)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with Keeper(tmp_path, small_rig()) as keeper:
        keeper.scans([dict.fromkeys(NAMES, float(n)) for n in range(2000)])
    return tmp_path


def test_a_whole_record_has_no_fault(folder: Path) -> None:
    assert fault(folder) is None


def test_a_damaged_page_is_found(folder: Path) -> None:
    file = folder / RECORD
    with closing(sqlite3.connect(file)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (size,) = db.execute("PRAGMA page_size").fetchone()
    content = bytearray(file.read_bytes())
    middle = len(content) // size // 2 * size
    content[middle : middle + size] = b"\xa5" * size
    file.write_bytes(content)
    assert fault(folder) is not None


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
