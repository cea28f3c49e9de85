"""A damaged record is set aside whole, and a new one goes on where it ended."""

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from faults.preload import Preload
from longsoak.store.aside import DamageError, damaged, files_aside
from longsoak.store.files import RECORD
from longsoak.store.reader import Record
from longsoak.store.requests import Request
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmLeft, AlarmState
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.proof import Outcome, ProofEntry, Step
from rigs import NEW, NORMAL, START_MS, Keeper, small_rig

NOW = "2026-05-04T10:00:00Z"
NAMES = tuple(probe.name for probe in small_rig().probes)
CURSORS = {"mail": 1, "database": 2, "digest": 20_577}  # changes, scans, a day
WET = dict.fromkeys(NAMES, 21.5)


def kept(folder: Path, scans: int = 3) -> None:
    """Leave a record of a few scans and two alarms, of which mail was sent one."""
    with Keeper(folder, small_rig()) as keeper:
        for _ in range(scans):
            keeper.scan(WET, after=60)
        keeper.change("overfill: water level", NORMAL, NEW, value=104.0, says="104 mm")
        keeper.change("silent: C 30/60", NORMAL, NEW, says="no answer")
        keeper.writer.commit(Batch(cursors={name: (at, 5) for name, at in CURSORS.items()}))


def overwrite(file: Path, *, page: int, content: bytes) -> None:
    """Overwrite one page, counted from 1, as a failing card would."""
    with closing(sqlite3.connect(file)) as db:
        (size,) = db.execute("PRAGMA page_size").fetchone()
    with file.open("r+b") as opened:
        opened.seek((page - 1) * size)
        opened.write((content * size)[:size])


def root_of(folder: Path, table: str) -> int:
    """The first page of a table."""
    with closing(sqlite3.connect(folder / RECORD)) as db:
        row = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()
    return int(row[0])


def files(folder: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in folder.iterdir() if file.is_file()}


def no_database(folder: Path) -> None:
    (folder / RECORD).write_bytes(b"not a database, but long enough to be looked at" * 200)


def first_page_gone(folder: Path) -> None:
    overwrite(folder / RECORD, page=1, content=b"\x00")


def scans_gone(folder: Path) -> None:
    overwrite(folder / RECORD, page=root_of(folder, "scan"), content=b"\xa5")


def cut_short(folder: Path) -> None:
    content = (folder / RECORD).read_bytes()
    (folder / RECORD).write_bytes(content[: len(content) // 3])


def of_something_else(folder: Path) -> None:
    (folder / RECORD).unlink()
    with closing(sqlite3.connect(folder / RECORD)) as db:
        db.execute("CREATE TABLE song (title TEXT)")


def without_a_table(folder: Path) -> None:
    with closing(sqlite3.connect(folder / RECORD, isolation_level=None)) as db:
        db.execute("ALTER TABLE scan RENAME TO scam")


@pytest.mark.parametrize(
    "damage",
    [no_database, first_page_gone, scans_gone, cut_short, of_something_else, without_a_table],
)
def test_a_record_that_is_damaged_at_the_start_is_set_aside_byte_for_byte(
    tmp_path: Path, damage: Callable[[Path], None]
) -> None:
    kept(tmp_path)
    damage(tmp_path)
    before = files(tmp_path)
    with closing(RecordWriter(tmp_path, now=NOW)) as writer:
        aside = writer.set_aside
        assert aside is not None
        assert aside.file == tmp_path / "record.db.damaged-1"
        assert aside.file.read_bytes() == before[RECORD]
        assert writer.accept_rig("# small rig", utc_ms=5) == 1
    (event,) = Record(tmp_path).events(limit=5)
    assert event.kind == "damage"
    assert "set aside whole as record.db.damaged-1, and a new one begun" in event.says


def left_in(writer: RecordWriter) -> dict[str, AlarmLeft]:
    return writer.alarms_left(boottime_ms=0, utc_ms=0)


def test_what_can_be_read_is_carried_over_and_nothing_is_told_twice(tmp_path: Path) -> None:
    kept(tmp_path)
    scans_gone(tmp_path)
    with closing(RecordWriter(tmp_path, now=NOW)) as writer:
        states = {key: left.state for key, left in left_in(writer).items()}
    record = Record(tmp_path)
    assert states == {"overfill: water level": NEW, "silent: C 30/60": NEW}
    # Mail had been sent the first of the two: it goes on with the second.
    assert [c.key for c in record.alarm_changes_after(record.cursor("mail"), limit=9)] == [
        "silent: C 30/60"
    ]
    carried = record.alarms()["overfill: water level"]
    assert (carried.value, carried.says) == (104.0, "104 mm")
    assert not record.has_cursor("database")  # positions in the old record mean nothing here
    assert record.cursor("digest") == 20_577
    version = record.rig_version()
    assert version is not None
    assert version.text == "# small rig"


def test_how_far_the_record_reached_is_told_where_it_can_be_read(tmp_path: Path) -> None:
    kept(tmp_path)
    overwrite(tmp_path / RECORD, page=root_of(tmp_path, "gap"), content=b"\xa5")
    with closing(RecordWriter(tmp_path, now=NOW)) as writer:
        aside = writer.set_aside
    assert aside is not None  # it could be opened, but no run begun
    assert (
        "it holds 3 scans from 4 May 2026, 09:01:00 UTC to 4 May 2026, 09:03:00 UTC, as far as"
        in aside.says
    )


def test_a_record_found_damaged_while_recording_goes_aside_with_its_log(tmp_path: Path) -> None:
    with Keeper(tmp_path, small_rig()) as keeper:
        keeper.scan(WET)
        before = files(tmp_path)
        assert before["record.db-wal"]
        aside = keeper.writer.start_afresh("bad", utc_ms=7, boottime_ms=7, synchronised=True)
        for end in ("", "-wal"):
            assert (tmp_path / f"record.db.damaged-1{end}").read_bytes() == before[f"{RECORD}{end}"]
        keeper.scan(WET)
        keeper.scan(WET)
        assert keeper.record.version() == (2, 0)
        assert keeper.record.latest(("T core",))["T core"].value == 21.5
        again = keeper.writer.start_afresh("bad", utc_ms=9, boottime_ms=9, synchronised=True)
    assert (aside.file.name, again.file.name) == ("record.db.damaged-1", "record.db.damaged-2")
    with closing(sqlite3.connect(aside.file)) as db:  # whole, with what lay in its log only
        assert db.execute("SELECT count(*) FROM scan").fetchone() == (1,)
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_commit_tells_damage_from_a_disk_that_refuses(tmp_path: Path) -> None:
    with Keeper(tmp_path, small_rig()) as keeper:
        keeper.scan(WET)
        assert keeper.writer.fold_in() is None
        overwrite(tmp_path / RECORD, page=root_of(tmp_path, "proof_entry"), content=b"\xa5")
        keeper.writer.reopen(now=NOW)
        step = ProofEntry(0, 5, "then", Step.READS, "T core", Outcome.GOOD, "mk", "10 of 10", {})
        with pytest.raises(StoreError, match="could not be kept") as caught:
            keeper.writer.commit(Batch(proof=[(Request("u", 5, "proof", "T core", "mk"), step)]))
        assert damaged(caught.value)
        keeper.scan(WET)  # what lies elsewhere in the file
        assert keeper.record.version() == (2, 0)
    assert not damaged(StoreError("full"))
    assert damaged(DamageError("bad"))


def test_a_log_that_was_left_behind_by_a_power_cut_is_not_taken_for_the_new_records(
    tmp_path: Path,
) -> None:
    with Keeper(tmp_path, small_rig()) as keeper:
        keeper.scan(WET)
        before = files(tmp_path)
    (tmp_path / RECORD).unlink()
    # As it lies when the power goes between moving the record and moving its log.
    (tmp_path / "record.db.damaged-1").write_bytes(before[RECORD])
    (tmp_path / "record.db-wal").write_bytes(before["record.db-wal"])
    with closing(RecordWriter(tmp_path, now=NOW)):
        assert Record(tmp_path).version() == (0, 0)
    assert (tmp_path / "record.db.damaged-1-wal").read_bytes() == before["record.db-wal"]
    with closing(sqlite3.connect(tmp_path / "record.db.damaged-1")) as db:
        assert db.execute("SELECT count(*) FROM scan").fetchone() == (1,)


def test_a_record_of_a_newer_version_is_refused_and_stays_in_its_place(tmp_path: Path) -> None:
    kept(tmp_path)
    with closing(sqlite3.connect(tmp_path / RECORD, isolation_level=None)) as db:
        db.execute("INSERT INTO migration VALUES ('m9999_later', 'then')")
    before = (tmp_path / RECORD).read_bytes()
    with pytest.raises(StoreError, match="newer version"):
        RecordWriter(tmp_path, now=NOW)
    assert (tmp_path / RECORD).read_bytes() == before
    assert not list(tmp_path.glob("*damaged*"))


def test_a_record_that_is_held_by_another_program_is_not_called_damaged(tmp_path: Path) -> None:
    kept(tmp_path)
    with (
        closing(sqlite3.connect(tmp_path / RECORD, isolation_level=None)) as holder,
        closing(sqlite3.connect(tmp_path / RECORD, isolation_level=None, timeout=0)) as late,
    ):
        holder.execute("BEGIN IMMEDIATE")
        with pytest.raises(sqlite3.OperationalError, match="locked") as caught:
            late.execute("BEGIN IMMEDIATE")
    assert not damaged(caught.value)


def test_the_alarms_of_a_set_aside_record_are_in_the_new_one_only_once(tmp_path: Path) -> None:
    """A new record that could not be finished is gone on with."""
    kept(tmp_path)
    scans_gone(tmp_path)
    with closing(RecordWriter(tmp_path, now=NOW)) as writer:
        writer.accept_rig("# small rig", utc_ms=5)
    with closing(RecordWriter(tmp_path, now=NOW)) as writer:
        assert writer.set_aside is None
        assert {left.state for left in left_in(writer).values()} == {AlarmState.NEW}
    assert len(Record(tmp_path).alarm_changes_after(0, limit=9)) == 2
    assert not (tmp_path / "record.db.damaged-2").exists()


def test_a_new_record_that_could_not_be_begun_at_once_still_tells_what_was_set_aside(
    tmp_path: Path,
) -> None:
    kept(tmp_path)
    (tmp_path / RECORD).rename(tmp_path / "record.db.damaged-1")  # as far as it came
    with closing(RecordWriter(tmp_path, now=NOW)) as writer:
        assert writer.set_aside is not None
    (event,) = Record(tmp_path).events(limit=5)
    assert "set aside whole as record.db.damaged-1" in event.says
    with closing(RecordWriter(tmp_path, now=NOW)) as writer:
        assert writer.set_aside is None


CUT_OFF = """
import sys
from longsoak.store.writer import RecordWriter
from pathlib import Path
writer = RecordWriter(Path(sys.argv[1]), now="2026-05-04T10:00:00Z")
writer.accept_rig("# small rig", utc_ms=5)
writer.begin_run(boot="b", software="0", utc_ms=5, boottime_ms=5, synchronised=True)
writer.start_afresh("bad", utc_ms=9, boottime_ms=9, synchronised=True)
writer.close()
"""


def test_a_power_cut_while_a_record_is_set_aside_loses_none_of_it(tmp_path: Path) -> None:
    """Cut off in each of some operations on files, evenly over all there are."""
    folder = tmp_path / "record"
    card = Preload(tmp_path / "faults", under=folder)
    command = [sys.executable, "-c", CUT_OFF, str(folder)]

    def run(*, die_at: int) -> None:
        shutil.rmtree(folder, ignore_errors=True)
        with Keeper(folder, small_rig()) as keeper:
            keeper.scan(WET)
        card.start_over(seed=1, die_at=die_at)
        subprocess.run(command, env={**os.environ, **card.environment}, check=die_at == 0)

    run(die_at=0)
    total = card.operations
    for die_at in range(1, total, total // 12):
        run(die_at=die_at)
        with closing(RecordWriter(folder, now=NOW)):
            pass
        found = []
        for file in (folder / RECORD, *files_aside(folder)):
            with closing(sqlite3.connect(file)) as db:
                assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
                found += db.execute("SELECT utc_ms FROM scan").fetchall()
        assert found == [(START_MS + 1000,)], f"cut off in operation {die_at} of {total}"
    card.close()
