"""Copies of the record: whole or not there, the newest kept, and nothing else touched."""

import os
import re
import shutil
import sqlite3
import threading
import time
from contextlib import closing
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest

from longsoak.store import recordcopy, target
from longsoak.store.backup import Made, back_up
from longsoak.store.backups import found_in, name_of
from longsoak.store.files import RECORD
from longsoak.store.manifest import ABOUT, MANIFEST, RIG_FILE, read_manifest
from longsoak.store.media import TargetError, disk_of, file_system, is_mounted, on_one_disk
from longsoak.store.photos import keep_photo
from longsoak.store.reader import Record
from longsoak.store.sealing import SealingPlan
from longsoak.store.verify import verify
from longsoak.vocabulary.errors import StoreError
from photofiles import jpeg_head
from rigs import START_MS, Keeper, small_rig
from store.backing import RIG, a_record, backed_up, killed, silent, taken, time_of

KEPT = sorted((Path(__file__).parent / "kept").glob("*/record.db"))


def test_a_backup_is_the_record_its_rig_file_and_its_curves_and_says_so(tmp_path: Path) -> None:
    folder = a_record(tmp_path / "record")

    made = backed_up(folder, tmp_path / "stick")

    assert made.folder.name == "small rig 20260504T090000Z"
    assert taken(made.folder) == taken(folder)
    assert (made.folder / RIG_FILE).read_bytes() == RIG.text
    assert (made.folder / "curves 1.toml").read_bytes() == b"# hemp\n"
    said = read_manifest(made.folder)
    assert (said.scans, said.readings, said.rig) == (50, 100, "small rig")
    assert (said.since_utc_ms, said.until_utc_ms) == (START_MS + 1000, START_MS + 50_000)
    # What it says can be looked over without this program: sha256sum and Python's hashlib agree.
    for file in said.files:
        assert sha256((made.folder / file.name).read_bytes()).hexdigest() == file.sha256
        assert f"{file.sha256}  {file.name}" in (made.folder / ABOUT).read_text()
    assert verify(made.folder, silent) == (said, [])
    assert not (tmp_path / "stick" / ".small rig 20260504T090000Z.part").exists()


def test_the_copy_is_one_file_that_any_sqlite_opens_where_nothing_may_be_written(
    tmp_path: Path,
) -> None:
    made = backed_up(a_record(tmp_path / "record"), tmp_path / "stick")
    # SQLite's file format, 1.3, bytes 18 and 19: 1 is a rollback journal, 2 a write-ahead log.
    assert (made.folder / RECORD).read_bytes()[18:20] == b"\x01\x01"
    assert not list(made.folder.glob("record.db-*"))


def test_a_record_that_is_written_meanwhile_is_copied_as_of_one_moment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recordcopy, "_PASSES", 1)  # a copy begun anew for a commit would fail
    stop = threading.Event()
    waits: list[float] = []
    made: list[Made] = []
    with Keeper(tmp_path / "record", small_rig()) as keeper:
        keeper.scans([{"C 10/60": 12.0, "T core": 20.0}] * 30_000)

        def copy() -> None:
            try:
                made.append(backed_up(tmp_path / "record", tmp_path / "stick"))
            finally:
                stop.set()

        thread = threading.Thread(target=copy)
        thread.start()
        while not stop.is_set():
            before = time.monotonic()
            keeper.scan({"C 10/60": 13.0, "T core": 21.0})
            waits.append(time.monotonic() - before)
        thread.join()
        top = keeper.record.version()[0]

    (done,) = made
    assert 30_000 <= done.manifest.scans <= top
    assert top > 30_003, "nothing was written meanwhile"
    # No commit had to wait for the copy: far below the second in which alarms are looked at. The
    # limit leaves room for a machine with more to do.
    assert sorted(waits)[len(waits) // 2] < 0.25
    assert [scan for scan, _ in taken(done.folder)] == list(range(1, done.manifest.scans + 1))


def test_the_newest_stay_by_their_number_even_if_the_clock_was_set_back(tmp_path: Path) -> None:
    folder, stick = a_record(tmp_path / "record"), tmp_path / "stick"
    for day in (0, 1, 2):
        backed_up(folder, stick, keep=2, utc_ms=START_MS + day * 86_400_000)
    assert sorted(path.name for path in stick.glob("small*")) == [
        "small rig 20260505T090000Z",
        "small rig 20260506T090000Z",
    ]

    # A Pi without a battery for its clock starts at a date long gone.
    made = backed_up(folder, stick, keep=2, utc_ms=0)

    assert made.removed == ("small rig 20260505T090000Z",)
    assert sorted(path.name for path in stick.glob("small*")) == [
        "small rig 19700101T000000Z",
        "small rig 20260506T090000Z",
    ]
    assert [one.manifest.number for one in found_in(stick, "small rig")] == [3, 4]


def test_backups_of_a_record_that_was_lost_stay_however_many_of_its_successor_there_are(
    tmp_path: Path,
) -> None:
    stick = tmp_path / "stick"
    of_the_lost = backed_up(a_record(tmp_path / "lost"), stick, keep=1).folder
    with Keeper(tmp_path / "new", small_rig(), start_ms=START_MS + 1) as keeper:
        keeper.scan({"C 10/60": 12.0, "T core": 20.0})
    for _ in range(3):
        made = backed_up(tmp_path / "new", stick, keep=1)
    assert [one.folder for one in found_in(stick, None)] == [of_the_lost, made.folder]


def test_two_within_a_second_are_two(tmp_path: Path) -> None:
    folder = a_record(tmp_path / "record")
    names = {backed_up(folder, tmp_path / "stick").folder.name for _ in range(3)}
    assert names == {f"small rig 20260504T090000Z{again}" for again in ("", "-2", "-3")}


def test_nothing_is_removed_that_it_did_not_make(tmp_path: Path) -> None:
    folder, stick = a_record(tmp_path / "record"), tmp_path / "stick"
    mine = stick / "holiday"
    old = [backed_up(folder, stick, utc_ms=n * 86_400_000).folder for n in range(5)]
    mine.mkdir()
    (mine / "beach.jpg").write_bytes(b"\xff\xd8\xff")
    old[0].rename(stick / "before the flood")  # renamed, so somebody wants it
    (old[1] / "why.txt").write_text("the pump failed on that day")
    (old[2] / RECORD).write_bytes(b"")  # a stick that is failing
    backed_up(folder, stick, rig=replace(RIG, rig="another rig"))

    made = backed_up(folder, stick, keep=1)

    there = {path.name for path in stick.iterdir() if not path.name.startswith(".")}
    assert there == {
        "holiday", "before the flood", old[1].name, old[2].name, made.folder.name,
        "another rig 20260504T090000Z",
    }  # fmt: skip
    assert set(made.removed) == {old[3].name, old[4].name}
    assert any(old[1].name in said and "why.txt" in said for said in made.cautions)
    assert any(old[2].name in said and "no longer whole" in said for said in made.cautions)


def test_what_a_power_cut_left_is_swept_and_nothing_beside_it(tmp_path: Path) -> None:
    folder, stick = a_record(tmp_path / "record"), tmp_path / "stick"
    stick.mkdir()
    for name in (".small rig 20260503T034000Z.part", ".small rig 20260502T034000Z.old"):
        (stick / name).mkdir()
        (stick / name / RECORD).write_bytes(b"half")
    for name in (".small rig 20260501T034000Z.part", ".other 20260503T034000Z.part", ".mine.part"):
        (stick / name).mkdir()
        (stick / name / "note.txt").write_text("mine")

    made = backed_up(folder, stick)

    left = {path.name for path in stick.iterdir() if path.is_dir()}
    assert left == {
        ".small rig 20260501T034000Z.part", ".other 20260503T034000Z.part", ".mine.part",
        made.folder.name,
    }  # fmt: skip
    assert any("note.txt" in said for said in made.cautions)


def test_a_photo_goes_over_once_and_a_damaged_one_is_told(tmp_path: Path) -> None:
    folder, stick = a_record(tmp_path / "record"), tmp_path / "stick"
    first = keep_photo(folder, jpeg_head(b"pins"))
    (folder / "photos" / f".{first.name}.123").write_bytes(b"half uploaded")

    made = backed_up(folder, stick)
    copied = stick / "small rig photos" / first.name
    (before,) = (copied.stat().st_mtime_ns,)
    second = keep_photo(folder, jpeg_head(b"float"))
    bad = keep_photo(folder, jpeg_head(b"tray"))
    (folder / "photos" / bad.name).write_bytes(jpeg_head(b"Tray"))
    again = backed_up(folder, stick)

    assert [photo.sha256 for photo in made.manifest.photos] == [first.sha256]
    assert {p.sha256 for p in again.manifest.photos} == {first.sha256, second.sha256}
    assert copied.stat().st_mtime_ns == before
    assert any(bad.name in said and "damaged" in said for said in again.cautions)
    assert "small rig photos" in (made.folder / ABOUT).read_text()
    assert verify(again.folder, silent)[1] == []

    copied.unlink()
    (fault,) = verify(made.folder, silent)[1]
    assert first.name in fault
    assert "missing" in fault


@pytest.mark.parametrize("record", KEPT, ids=lambda path: path.parent.name)
def test_a_record_of_an_earlier_version_is_backed_up_and_checked_as_it_is(
    record: Path, tmp_path: Path
) -> None:
    (tmp_path / "record").mkdir()
    shutil.copy(record, tmp_path / "record" / RECORD)
    made = backed_up(tmp_path / "record", tmp_path / "stick")
    assert made.manifest.scans == len(taken(tmp_path / "record")) > 0
    assert verify(made.folder, silent)[0] == made.manifest


def test_names_can_be_written_on_any_stick() -> None:
    # FAT and exFAT forbid these (Microsoft, "Naming Files, Paths, and Namespaces", read in a
    # transcription).
    for rig in ("pair 1/2: left", 'a<b>c:d"e/f\\g|h?i*j', " . ", "å" * 60, "CON", ".hidden", "a. "):
        name = name_of(rig)
        assert name
        assert not set(name) & set('<>:"/\\|?*')
        assert name == name.strip(" .")
        assert len(f".{name} 20260504T034000Z-100.part".encode()) <= 255
    assert name_of("pair 1/2: left") == "pair 1-2- left"


def refused(folder: Path, to: Path, **how: bool) -> str:
    with pytest.raises(TargetError) as caught:
        back_up(
            folder, to, rig=RIG, keep=7, utc_ms=START_MS, clock_known=True, software="0",
            tell=silent, **{"mounted": False, **how},
        )  # fmt: skip
    return str(caught.value)


def test_a_folder_that_can_not_take_it_is_refused_with_the_reason(tmp_path: Path) -> None:
    folder = a_record(tmp_path / "record")
    (tmp_path / "file").write_text("")
    (tmp_path / "stick").mkdir()
    (tmp_path / "link").symlink_to(folder)

    assert "is not there" in refused(folder, tmp_path / "nowhere")
    assert not (tmp_path / "nowhere").exists()
    assert "is a file" in refused(folder, tmp_path / "file")
    assert "record's own folder" in refused(folder, folder)
    assert "record's own folder" in refused(folder, tmp_path / "link")
    assert "nothing is mounted" in refused(folder, tmp_path / "stick", mounted=True)
    assert list((tmp_path / "stick").iterdir()) == []


def test_too_little_room_is_told_with_how_much_is_needed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = a_record(tmp_path / "record")
    (tmp_path / "stick").mkdir()
    monkeypatch.setattr(target, "room", lambda _folder: 100_000)
    said = refused(folder, tmp_path / "stick")
    needed = (folder / RECORD).stat().st_size / 1e6 + 2
    (told,) = re.findall(r"needs ([\d.]+) MB", said)
    assert needed <= float(told) < needed + 0.3
    assert "0.1 MB free" in said


def test_mount_points_are_told_from_plain_folders(tmp_path: Path) -> None:
    assert is_mounted(Path("/proc"))
    assert file_system(Path("/proc")) == "proc"
    assert not is_mounted(tmp_path)
    assert on_one_disk(tmp_path, tmp_path.parent)
    assert not on_one_disk(tmp_path, Path("/proc"))


def test_two_partitions_of_a_card_are_one_card(tmp_path: Path) -> None:
    # Laid out as by the kernel (torvalds/linux, Documentation/ABI/testing/sysfs-dev; from memory).
    blocks, devices = tmp_path / "dev" / "block", tmp_path / "devices"
    blocks.mkdir(parents=True)
    for number, place in (
        ("179:0", "mmc0/mmcblk0"),
        ("179:1", "mmc0/mmcblk0/mmcblk0p1"),
        ("179:2", "mmc0/mmcblk0/mmcblk0p2"),
        ("8:1", "usb1/sda/sda1"),
    ):
        (devices / place).mkdir(parents=True, exist_ok=True)
        if place[-2:] in ("p1", "p2", "a1"):
            (devices / place / "partition").write_text("1\n")
        (blocks / number).symlink_to(devices / place)
    boot, root, card, stick = (
        disk_of(os.makedev(*numbers), blocks=blocks)
        for numbers in ((179, 1), (179, 2), (179, 0), (8, 1))
    )
    assert boot == root == card == devices / "mmc0" / "mmcblk0"
    assert stick == devices / "usb1" / "sda"
    assert disk_of(os.makedev(0, 25), blocks=blocks) is None


def test_a_backup_on_the_same_card_is_made_with_a_caution(tmp_path: Path) -> None:
    made = backed_up(a_record(tmp_path / "record"), tmp_path / "stick")
    assert any("same disk or card" in said for said in made.cautions)


def test_two_at_once_into_one_folder_do_not_meet(tmp_path: Path) -> None:
    folder, stick = a_record(tmp_path / "record"), tmp_path / "stick"
    stick.mkdir()
    with target.sole(stick), pytest.raises(StoreError, match="under way"):
        backed_up(folder, stick)
    assert backed_up(folder, stick).folder.exists()


def test_a_damaged_record_is_not_taken_for_a_backup_and_the_earlier_one_stays(
    tmp_path: Path,
) -> None:
    folder, stick = a_record(tmp_path / "record", scans=3000), tmp_path / "stick"
    good = backed_up(folder, stick, keep=1)
    with (folder / RECORD).open("r+b") as file:
        file.seek(-6000, os.SEEK_END)
        file.write(b"\xff" * 3000)

    with pytest.raises(StoreError, match="damaged"):
        backed_up(folder, stick, keep=1, utc_ms=START_MS + 1000)

    assert [one.folder for one in found_in(stick, None)] == [good.folder]
    assert verify(good.folder, silent)[0].scans == 3000
    assert not list(stick.glob(".*part"))


def test_sealed_scans_are_copied_and_counted_like_any_and_damage_in_them_is_found(
    tmp_path: Path,
) -> None:
    with Keeper(tmp_path / "record", small_rig()) as keeper:
        for n in range(30):
            keeper.scans([{"C 10/60": 12.0 + n, "T core": 20.0}] * 10)
        sealing = keeper.writer.sealing(SealingPlan(tail=10, lengths=(40, 80), enough=10))
        while sealing.bite():
            pass
    folder = tmp_path / "record"
    made = backed_up(folder, tmp_path / "stick")
    assert (made.manifest.scans, made.manifest.readings) == (300, 600)
    assert taken(made.folder) == taken(folder)

    with closing(sqlite3.connect(folder / RECORD, isolation_level=None)) as db:
        sealed = db.execute("SELECT rowid, readings FROM sealed_readings").fetchall()
        assert sealed
        number, packed = sealed[0]
        for bad in (packed[:-1], packed[:-1] + bytes([packed[-1] ^ 1]), packed[:3], b""):
            db.execute("UPDATE sealed_readings SET readings = ? WHERE rowid = ?", (bad, number))
            with pytest.raises(StoreError, match="damaged"):
                backed_up(folder, tmp_path / "stick")
    assert [one.folder for one in found_in(tmp_path / "stick", None)] == [made.folder]


@pytest.mark.parametrize("name", [RECORD, RIG_FILE, "curves 1.toml"])
@pytest.mark.parametrize("how", ["flipped", "cut", "gone"])
def test_a_backup_with_any_file_not_as_it_was_is_never_taken_for_whole(
    name: str, how: str, tmp_path: Path
) -> None:
    made = backed_up(a_record(tmp_path / "record"), tmp_path / "stick")
    path = made.folder / name
    content = bytearray(path.read_bytes())
    if how == "flipped":
        content[sum(name.encode()) % len(content)] ^= 1
    elif how == "cut":
        del content[-1]
    path.write_bytes(content)
    if how == "gone":
        path.unlink()
    with pytest.raises(StoreError, match=re.escape(str(path))):
        verify(made.folder, silent)


def test_a_manifest_cut_anywhere_or_of_anything_is_told_and_never_believed(tmp_path: Path) -> None:
    made = backed_up(a_record(tmp_path / "record"), tmp_path / "stick")
    path = made.folder / MANIFEST
    text = path.read_bytes()
    cuts = [text[:n] for n in range(0, len(text) - 2, 7)]
    odd = [b"[]", b"{}", b'"x"', b"\xff", b"[" * 5000, text.replace(b'"record.db"', b'"../../x"')]
    for content in (*cuts, *odd, text.replace(b'"scans": 50', b'"scans": "50"')):
        path.write_bytes(content)
        with pytest.raises(StoreError, match="damaged"):
            read_manifest(made.folder)
    path.write_bytes(text.replace(b'"scans": 50', b'"scans": 51'))
    with pytest.raises(StoreError, match="50 scans, and 51"):
        verify(made.folder, silent)


def test_a_backup_of_a_newer_version_is_refused_untouched(tmp_path: Path) -> None:
    made = backed_up(a_record(tmp_path / "record"), tmp_path / "stick")
    path = made.folder / MANIFEST
    text = path.read_text()
    for newer in (
        text.replace('"form": 1', '"form": 2'),
        text.replace('"m0001_record"', '"m0001_record", "m9999_later"'),
    ):
        path.write_text(newer)
        with pytest.raises(StoreError, match="newer version"):
            verify(made.folder, silent)


def test_a_copy_that_something_has_written_to_is_no_longer_whole(
    tmp_path: Path,
) -> None:
    made = backed_up(a_record(tmp_path / "record"), tmp_path / "stick")
    with closing(sqlite3.connect(made.folder / RECORD, isolation_level=None)) as db:
        db.execute("CREATE TABLE curious (x)")
        db.execute("DROP TABLE curious")
    with pytest.raises(StoreError, match="the backup is damaged"):
        verify(made.folder, silent)


def test_kill_at_any_moment_never_leaves_half_a_backup_that_looks_good(tmp_path: Path) -> None:
    folder, stick = a_record(tmp_path / "record", scans=2000), tmp_path / "stick"
    keep_photo(folder, jpeg_head(b"pins" * 1000))
    good = backed_up(folder, stick, keep=3)

    def once() -> None:
        backed_up(folder, stick, keep=3)

    took = time_of(once)
    cut_off = [killed(once, after=took * moment / 27) for moment in range(30)]

    assert sum(cut_off) > 5
    found = found_in(stick, None)
    assert found
    for one in found:
        assert verify(one.folder, silent) == (one.manifest, [])
    backed_up(folder, stick, keep=3)  # and the next one clears up
    assert len(found_in(stick, None)) == 3
    assert not list(stick.glob(".*.part")) + list(stick.glob(".*.old"))
    assert good.manifest.number == 1


def test_a_record_started_and_stopped_meanwhile_is_copied_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = a_record(tmp_path / "record")
    copied = recordcopy._copy_pages  # noqa: SLF001 - the moment between two looks at the file
    times = 0

    def meanwhile(*arguments: object) -> None:
        nonlocal times
        copied(*arguments)  # type: ignore[arg-type]  # as it came
        times += 1
        if times == 1:
            a_record(folder, scans=5)

    monkeypatch.setattr(recordcopy, "_copy_pages", meanwhile)
    # As SQLite opens it for a user who may only read, where nobody is recording.
    monkeypatch.setattr(
        recordcopy,
        "connect_read_only",
        lambda path: sqlite3.connect(
            f"{path.as_uri()}?mode=ro&immutable=1", uri=True, isolation_level=None
        ),
    )
    made = backed_up(folder, tmp_path / "stick")
    assert times == 2
    assert made.manifest.scans == Record(folder).version()[0] == 55
