"""What an audit finds: every alteration, and no fault where there is none."""

import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import date
from pathlib import Path

import pytest

from longsoak.core.merkle import consistency_holds, inclusion_holds, leaf_hash
from longsoak.service.dayclosing import DayClosing
from longsoak.store.audit import audit
from longsoak.store.daycounts import ClosedDays, DayCount
from longsoak.store.files import RECORD
from longsoak.store.ledger import Ledger
from longsoak.store.ledgerentries import packed
from longsoak.store.photos import FOLDER
from longsoak.store.scans import scan_rows
from longsoak.store.sealed import of_readings, pack_readings, unpack_readings
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.ledger import DayHead
from rigs import Keeper, small_rig
from store.auditrecord import DAY_S, PHOTO, altered, close_days, forge, make_record, writing

SECOND = date(2026, 5, 5)
Noted = tuple[date, str]


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("original") / "record"
    make_record(folder)
    with closing(sqlite3.connect(folder / RECORD)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return folder


@pytest.fixture
def folder(tmp_path: Path, original: Path) -> Path:
    return Path(shutil.copytree(original, tmp_path / "record"))


def heads(folder: Path) -> list[DayHead]:
    return Ledger(folder).heads()


@pytest.fixture(scope="module")
def noted(original: Path) -> Noted:
    """What an old mail says: the second day and its root."""
    head = Ledger(original).head_of(SECOND)
    assert head is not None
    return SECOND, head.root


@pytest.fixture(scope="module")
def last_noted(original: Path) -> Noted:
    """What the newest mail says."""
    head = Ledger(original).last_head()
    assert head is not None
    return head.day, head.root


def test_a_whole_record_is_found_whole(folder: Path, noted: Noted) -> None:
    found = audit(folder, noted=noted)
    assert (found.wrong, found.notes, found.lacks) == ([], [], ())
    assert found.proof is not None
    assert found.proof.proved
    with closing(sqlite3.connect(folder / RECORD)) as db:
        rows = list(scan_rows(db, 1, 10**6))
        (sealed,) = db.execute("SELECT count(*) FROM sealed").fetchone()
        assert db.execute("SELECT count(*) FROM gap").fetchone() == (4,)
        (layouts,) = db.execute("SELECT count(*) FROM layout").fetchone()
    assert sealed > 2
    assert layouts > 2
    assert found.scans == len(rows)
    assert sum(count.scans for count in found.days.values()) == len(rows)
    assert sum(count.readings for count in found.days.values()) == sum(
        len(row.readings) // 18 for row in rows
    )
    assert len(found.gaps) == 4
    assert found.photos == 24
    assert [head.day for head in found.heads][:3] == [date(2026, 5, d) for d in (4, 5, 6)]
    assert found.open_scans == 1


def test_days_are_counted_by_hand(folder: Path) -> None:
    found = audit(folder)
    with closing(sqlite3.connect(folder / RECORD)) as db:
        rows = [r for r in scan_rows(db, 1, 10**6) if r.utc_ms // 86_400_000 == 20_577]
    (day,) = [d for d in found.days if d == date(2026, 5, 4)]
    good = sum(
        row.readings[16 * n : 17 * n].count(1) for row in rows for n in [len(row.readings) // 18]
    )
    assert (found.days[day].scans, found.days[day].good) == (len(rows), good)
    assert {day: ClosedDays(folder).measured(day) for day in found.days} == found.days
    assert ClosedDays(folder).measured(date(2026, 5, 3)) == DayCount()


# What is altered, and what an audit without any old root names first.
ALTERATIONS = {
    "the time of a scan": ("UPDATE scan SET utc_ms = utc_ms + 1 WHERE id = {live}", "scans"),
    "when the machine says it was": (
        "UPDATE scan SET boottime_ms = boottime_ms + 1 WHERE id = {live}",
        "scans",
    ),
    "whether the clock was right": ("UPDATE scan SET synchronised = 0 WHERE id = {live}", "scans"),
    "which probes a scan is of": ("UPDATE scan SET layout = {other} WHERE id = {live}", "scan"),
    "a scan put far behind": ("UPDATE scan SET id = {live} << 40 WHERE id = {live}", "scan"),
    "a scan taken out": ("DELETE FROM scan WHERE id = {live}", "scan"),
    "an event": ("UPDATE event SET says = replace(says, 'n', 'm') WHERE id = 2", "event 2"),
    "when an event was": ("UPDATE event SET utc_ms = utc_ms - 1 WHERE id = 1", "event 1"),
    "what an event is placed by": (
        "UPDATE event SET boottime_ms = 5 WHERE id = 2",
        "moment of event 2",
    ),
    "an event said to be placed by nothing": (
        "UPDATE event SET run = NULL WHERE id = 2",
        "moment of event 2",
    ),
    "what an alarm is placed by": (
        "UPDATE alarm_change SET run = run + 1 WHERE id = 1",
        "moment of alarm change 1",
    ),
    "an event taken out": ("DELETE FROM event WHERE id = 3", "event 3"),
    "the text of a rig file": (
        "UPDATE rig_version SET text = text || ' ' WHERE id = 1",
        "rig file version 1",
    ),
    "when a rig file was accepted": (
        "UPDATE rig_version SET accepted_utc_ms = accepted_utc_ms - 86400000 WHERE id = 2",
        "rig file version 2",
    ),
    "an alarm's value": ("UPDATE alarm_change SET value = 99.5 WHERE id = 1", "alarm change 1"),
    "who answered": ("UPDATE request SET by = 'xy' WHERE id = 2", "request 2"),
    "an alarm taken out": ("DELETE FROM alarm_change WHERE id = 2", "alarm change 2"),
    "a step of a proof": ("UPDATE proof_entry SET outcome = 'failed' WHERE id = 1", "proof entry"),
    "a note": ("UPDATE logbook SET says = 'all is well' WHERE id = 4", "logbook entry 4"),
    "when a note was kept": ("UPDATE logbook SET kept_utc_ms = 5 WHERE id = 1", "logbook entry 1"),
    "a gap made clean": ("UPDATE gap SET clean = 1 - clean WHERE id = 1", "gap 1"),
    "a gap made short": ("UPDATE gap SET length_ms = 1 WHERE id = 1", "time of gap 1"),
    "a run's boot": ("UPDATE run SET boot = 'x' WHERE id = 1", "run 1"),
    "a stop": ("UPDATE run SET ended_utc_ms = ended_utc_ms + 1 WHERE id = 1", "end of run 1"),
    "a stretch moved": ("UPDATE stretch SET shift_ms = 3600000 WHERE id = 1", "time of stretch 1"),
    "the order of probes": (
        """UPDATE layout SET probes = '["C 30/60", "C 10/60"]' WHERE id = 1""",
        "scans",  # that are sealed are told apart by it
    ),
}  # fmt: skip


def live_scan(folder: Path) -> dict[str, int]:
    """A scan that is a row of its own and in a closed day, and a layout of other probes."""
    with closing(sqlite3.connect(folder / RECORD)) as db:
        (live, layout) = db.execute("SELECT id, layout FROM scan ORDER BY id LIMIT 1").fetchone()
        (other,) = db.execute("SELECT id FROM layout WHERE id != ?", (layout,)).fetchone()
    return {"live": live + 2, "other": other}


@pytest.mark.parametrize("what", ALTERATIONS)
def test_an_alteration_is_found_and_named_and_can_not_be_hidden_from_an_old_root(
    folder: Path, what: str, last_noted: Noted
) -> None:
    statement, named = ALTERATIONS[what]
    altered(folder, statement.format(**live_scan(folder)))
    found = audit(folder, noted=last_noted)
    assert found.wrong[0].what.startswith(named), found.wrong
    # What may still be put right is kept with its entry, so the root itself stands.
    assert found.proof is not None
    assert found.proof.proved == named.startswith(("time of", "end of"))

    forge(folder)  # all entered anew, to hide it
    found = audit(folder, noted=last_noted)
    assert found.proof is not None
    assert not found.proof.proved
    assert found.heads[-1].root != last_noted[1]


def test_a_forgery_without_a_change_comes_to_the_old_roots(folder: Path, noted: Noted) -> None:
    """Else the test above would prove nothing."""
    before = heads(folder)
    forge(folder)
    assert heads(folder) == before
    found = audit(folder, noted=noted)
    assert found.wrong == []
    assert found.proof is not None
    assert found.proof.proved


def one_byte_of_a_reading(folder: Path) -> None:
    with writing(folder) as db:
        (number, readings) = db.execute("SELECT id, readings FROM scan LIMIT 1").fetchone()
        changed = bytes([readings[0] ^ 1]) + readings[1:]
        db.execute("UPDATE scan SET readings = ? WHERE id = ?", (changed, number))


def two_scans_swapped(folder: Path) -> None:
    with writing(folder) as db:
        first, second = db.execute("SELECT id, readings FROM scan LIMIT 2").fetchall()
        db.execute("UPDATE scan SET readings = ? WHERE id = ?", (second[1], first[0]))
        db.execute("UPDATE scan SET readings = ? WHERE id = ?", (first[1], second[0]))


def a_scan_put_in(folder: Path) -> None:
    """One more scan in a closed day, all later ones moved by one."""
    with writing(folder) as db:
        (first,) = db.execute("SELECT min(id) FROM scan").fetchone()
        rows = db.execute("SELECT * FROM scan WHERE id > ? ORDER BY id DESC", (first,)).fetchall()
        for row in rows:
            db.execute("UPDATE scan SET id = ? WHERE id = ?", (row[0] + 1, row[0]))
        kept = db.execute("SELECT * FROM scan WHERE id = ?", (first,)).fetchone()
        db.execute(
            "INSERT INTO scan VALUES (?, ?, ?, ?, ?, ?)",
            (first + 1, kept[1], kept[2] + 1, kept[3] + 1, *kept[4:]),
        )


def a_sealed_reading(folder: Path) -> None:
    with writing(folder) as db:
        number, data, first, name = db.execute(
            "SELECT sealed_readings.rowid, readings, first_scan, name FROM sealed_readings"
            " JOIN sealed ON sealed.id = sealed JOIN probe ON probe.id = probe LIMIT 1"
        ).fetchone()
        of = of_readings(name, first=first)  # by somebody who knows how they are sealed
        column = unpack_readings(data, of=of)
        other = column._replace(raw=(column.raw[0] + 1.0, *column.raw[1:]))
        changed = pack_readings(other, of=of)
        db.execute("UPDATE sealed_readings SET readings = ? WHERE rowid = ?", (changed, number))


def a_sealed_block_damaged(folder: Path) -> None:
    altered(folder, "UPDATE sealed_readings SET readings = zeroblob(99) WHERE rowid = 1")


def a_sealed_reading_taken_out(folder: Path) -> None:
    altered(folder, "DELETE FROM sealed_readings WHERE rowid = 1")


def a_sealed_block_taken_out(folder: Path) -> None:
    altered(
        folder,
        "DELETE FROM sealed_readings WHERE sealed = 2",
        "DELETE FROM sealed WHERE id = 2",
    )


@pytest.mark.parametrize(
    "alter",
    [
        one_byte_of_a_reading,
        two_scans_swapped,
        a_scan_put_in,
        a_sealed_reading,
        a_sealed_block_damaged,
        a_sealed_reading_taken_out,
        a_sealed_block_taken_out,
    ],
)
def test_readings_can_neither_be_altered_nor_moved_nor_put_in(
    folder: Path, alter: Callable[[Path], None], last_noted: Noted
) -> None:
    alter(folder)
    found = audit(folder, noted=last_noted)
    assert any(wrong.what.startswith("scan") for wrong in found.wrong), found.wrong
    assert found.proof is not None
    assert not found.proof.proved


INSERT = "INSERT INTO event (id, utc_ms, kind, subject, says) VALUES"


def test_an_event_dated_back_and_put_in_between_is_found(folder: Path, last_noted: Noted) -> None:
    altered(
        folder,
        "UPDATE event SET id = -id WHERE id > 2",
        "UPDATE event SET id = 1 - id WHERE id < 0",
        f"{INSERT} (3, 1777885201000, 'bus', 'meter', 'invented')",
    )
    found = audit(folder, noted=last_noted)
    assert found.wrong[0].what == "event 3"
    assert found.proof is not None
    assert not found.proof.proved
    forge(folder)
    found = audit(folder, noted=last_noted)
    assert found.proof is not None
    assert not found.proof.proved


def test_an_event_of_a_number_that_was_free_is_found(folder: Path) -> None:
    altered(
        folder,
        f"{INSERT} (0, 1777885201000, 'bus', 'meter', 'invented')",
        f"{INSERT} (-7, 1777885201000, 'bus', 'meter', 'invented')",
    )
    found = audit(folder)
    assert {wrong.what for wrong in found.wrong} == {"event 0", "event -7"}


LEDGER = {
    "a hash": ("UPDATE ledger_entry SET hash = zeroblob(32) WHERE kind = 'event'", "event"),
    "a root": (
        "UPDATE day_head SET root = replace(root, substr(root, 1, 1), 'g') WHERE id = 2",
        "closed day 2026-05-05",
    ),
    "a day's name": ("UPDATE day_head SET day = '2026-05-03' WHERE id = 1", "closed day 1"),
    "when a day was closed": (
        "UPDATE day_head SET closed_utc_ms = 0 WHERE id = 1",
        "closed day 1",
    ),
    "an entry taken out": ("DELETE FROM ledger_entry WHERE id = 7", "ledger"),
    "the size of a day": (
        "UPDATE day_head SET entries = entries - 1 WHERE id = 1",
        "closed day 2026-05-04",
    ),
    "a kind": ("UPDATE ledger_entry SET kind = 'evenk' WHERE kind = 'event'", "evenk"),
    "what an entry is of": (
        "UPDATE ledger_entry SET last = last + 1 WHERE kind = 'scans' AND id = 1",
        "scans",
    ),
    "an entry of scans without an end": (
        "UPDATE ledger_entry SET last = 9223372036854775807 WHERE id = 1",
        "scans",
    ),
    "an entry of scans that begins nowhere": (
        "UPDATE ledger_entry SET first = -5 WHERE id = 1",
        "scans",
    ),
    "a damaged day": ("UPDATE day_head SET day = 'yesterday' WHERE id = 1", "record"),
}  # fmt: skip


@pytest.mark.parametrize("what", LEDGER)
def test_the_ledger_itself_can_not_be_altered_unseen(folder: Path, what: str) -> None:
    statement, named = LEDGER[what]
    altered(folder, statement)
    assert any(wrong.what.startswith(named) for wrong in audit(folder).wrong), audit(folder).wrong


@pytest.mark.parametrize("seed", range(20))
def test_a_byte_that_flips_anywhere_in_the_file_is_found_or_changed_nothing_that_was_kept(
    folder: Path, original: Path, seed: int, last_noted: Noted
) -> None:
    chance = random.Random(seed)  # noqa: S311 - nothing secret is drawn
    path = folder / RECORD
    content = bytearray(path.read_bytes())
    for _ in range(4):
        content[chance.randrange(100, len(content))] ^= 1 << chance.randrange(8)
    path.write_bytes(content)
    try:
        found = audit(folder, noted=last_noted)
    except StoreError:
        return  # it can't even be opened
    if not found.wrong:
        assert closed(folder) == closed(original)
    if found.proof is not None and found.proof.proved:
        assert closed(folder) == closed(original)


def closed(folder: Path) -> list[object]:
    """All that is in the closed days, by table."""
    with closing(sqlite3.connect(folder / RECORD)) as db:
        db.text_factory = bytes
        tables = (
            "SELECT id, accepted_utc_ms, text FROM rig_version",
            "SELECT * FROM layout",
            "SELECT id, boot, software, started_utc_ms, started_boottime_ms FROM run",
            "SELECT id, run, first_scan, offset_ms FROM stretch WHERE id <= 4",
            "SELECT id, run, clean FROM gap",
            "SELECT * FROM event WHERE id <= 12",
            "SELECT * FROM alarm_change",
            "SELECT * FROM request",
            "SELECT * FROM proof_entry",
            "SELECT * FROM logbook",
        )
        kept = [list(db.execute(f"{table} ORDER BY id")) for table in tables]
    with closing(sqlite3.connect(folder / RECORD)) as db:
        (top,) = db.execute("SELECT max(id) FROM scan").fetchone()
        scans = list(scan_rows(db, 1, top - 1))
    return [*kept, scans]


def test_what_is_proved_is_said_and_can_be_checked_without_the_record(
    folder: Path, noted: Noted
) -> None:
    found = audit(folder, noted=noted)
    proof = found.proof
    assert proof is not None
    assert proof.head is not None
    assert [rig.version for rig in proof.rigs] == [1, 2]
    with closing(sqlite3.connect(folder / RECORD)) as db:
        texts = dict(db.execute("SELECT id, sha256 FROM rig_version").fetchall())
    for rig in proof.rigs:
        assert rig.sha256 == texts[rig.version]
        entry = packed("rig_version", rig.version, rig.accepted_utc_ms, bytes.fromhex(rig.sha256))
        assert inclusion_holds(
            rig.entry - 1,
            proof.head.entries,
            leaf=leaf_hash(entry),
            proof=[bytes.fromhex(one) for one in rig.path],
            root=bytes.fromhex(noted[1]),
        )
    assert proof.grew_to == found.heads[-1]
    assert consistency_holds(
        proof.head.entries,
        proof.grew_to.entries,
        old_root=bytes.fromhex(noted[1]),
        new_root=bytes.fromhex(proof.grew_to.root),
        proof=[bytes.fromhex(one) for one in proof.growth],
    )
    assert 0 < proof.last_scan < found.scans
    assert proof.last_utc_ms is not None
    assert date(2026, 5, 5) == date.fromordinal(
        date(1970, 1, 1).toordinal() + proof.last_utc_ms // 86_400_000
    )
    assert 0 < proof.logbook < 12


def test_an_alteration_after_the_day_leaves_the_day_proved(folder: Path, noted: Noted) -> None:
    altered(folder, "UPDATE logbook SET says = 'x' WHERE id = 9")
    found = audit(folder, noted=noted)
    assert found.proof is not None
    assert found.proof.proved
    assert found.wrong[0].what == "logbook entry 9"


def test_why_a_root_is_not_proved_is_told_as_far_as_it_can_be(folder: Path, noted: Noted) -> None:
    def why(day: date, root: str) -> str:
        proof = audit(folder, noted=(day, root)).proof
        assert proof is not None
        return proof.says

    day, root = noted
    assert "it is the root of 2026-05-05, not of 2026-05-06" in why(date(2026, 5, 6), root)
    assert "has closed no day 2026-04-01" in why(date(2026, 4, 1), "ab" * 32)
    assert f"the record says {root} of that day" in why(day, "ab" * 32)
    altered(folder, "UPDATE event SET says = 'x' WHERE id = 2")
    assert "the record names the same root, and event 2 is not what was entered" in why(day, root)
    altered(folder, "DELETE FROM day_head", "DELETE FROM ledger_entry")
    assert "has not closed any day yet" in why(day, root)


def test_a_closed_day_that_was_taken_out_is_told_by_its_root(folder: Path, noted: Noted) -> None:
    altered(folder, "DELETE FROM day_head WHERE id >= 2")
    proof = audit(folder, noted=noted).proof
    assert proof is not None
    assert "a closed day was taken out" in proof.says


def test_a_time_that_is_put_right_after_the_day_was_closed_is_no_fault(folder: Path) -> None:
    altered(folder, "UPDATE stretch SET shift_ms = 1000, known = 'placed' WHERE id = 5")
    found = audit(folder)
    assert found.wrong == []


def test_photos_are_looked_at(folder: Path) -> None:
    photo = folder / FOLDER / f"{PHOTO}.jpg"
    photo.write_bytes(photo.read_bytes() + b"x")
    assert "is not the one that was kept" in audit(folder).wrong[0].says
    photo.unlink()
    assert audit(folder).wrong[0].says.startswith(f"its photo {PHOTO} is not in")


def test_a_record_of_an_earlier_version_is_gone_through_too(tmp_path: Path) -> None:
    for version in ("0.1.0", "0.2.0", "0.3.0"):
        kept = Path(__file__).parent / "kept" / version
        folder = Path(shutil.copytree(kept, tmp_path / version))
        found = audit(folder)
        assert found.wrong == []
        assert "m0006_ledger" in found.lacks
        assert found.scans > 0
        assert found.open_scans == found.scans


def test_a_record_of_a_newer_version_is_left_alone(folder: Path) -> None:
    altered(folder, "INSERT INTO migration VALUES ('m9999_later', 'then')")
    with pytest.raises(StoreError, match="newer version, with m9999_later"):
        audit(folder)


def test_what_is_recorded_meanwhile_is_no_fault(tmp_path: Path) -> None:
    with Keeper(tmp_path, small_rig()) as keeper:
        keeper.scans([{"C 10/60": 17.5}] * 2100)
        keeper.scan({"C 10/60": 17.5}, after=DAY_S)
        days = DayClosing(tmp_path, keeper.writer)
        close_days(days, keeper)
        went_on = 0

        def go_on(_done: int, _total: int) -> None:
            nonlocal went_on
            went_on += 1
            keeper.scan({"C 30/60": 18.0}, after=DAY_S)
            close_days(days, keeper)

        found = audit(tmp_path, seen=go_on)
        assert went_on
        assert (found.wrong, len(found.heads), found.scans) == ([], 1, 2101)
        assert len(audit(tmp_path).heads) == 1 + went_on
