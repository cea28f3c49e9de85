"""A backup put back: the old record or the new one, each whole, at every moment."""

import os
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from longsoak.store import restore as restore_module
from longsoak.store.files import INBOX, RECORD
from longsoak.store.inbox import Inbox
from longsoak.store.manifest import MANIFEST
from longsoak.store.media import TargetError
from longsoak.store.photos import keep_photo
from longsoak.store.reader import Record
from longsoak.store.requests import ask
from longsoak.store.restore import Restored, restore
from longsoak.store.restorenote import drop_note, note_of_restore
from longsoak.vocabulary.errors import StoreError
from photofiles import jpeg_head
from rigs import Keeper, small_rig
from store.backing import RIG, a_record, backed_up, killed, silent, taken, time_of

KEPT = sorted((Path(__file__).parent / "kept").glob("*/record.db"))


def restored(backup: Path, home: Path) -> Restored:
    return restore(backup, home / "rig.toml", home / "record", tell=silent)


def everything(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_the_backup_lies_in_place_and_what_was_there_is_kept_whole(tmp_path: Path) -> None:
    folder = a_record(tmp_path / "record")
    made = backed_up(folder, tmp_path / "stick")
    at_the_backup = taken(folder)
    with Keeper(folder, small_rig(), start_ms=1_777_900_000_000) as keeper:
        keeper.scan({"C 10/60": 15.0, "T core": 21.0})
    (folder / INBOX).write_bytes(b"asked and not taken yet")
    later = taken(folder)

    done = restored(made.folder, tmp_path)

    assert taken(folder) == at_the_backup
    assert done.aside == tmp_path / "record.before-restore-1"
    assert taken(done.aside) == later
    assert (done.aside / INBOX).read_bytes() == b"asked and not taken yet"
    assert not (folder / INBOX).exists()
    assert done.later is not None
    assert (done.later.until_utc_ms, done.later.scans) == (1_777_900_001_000, 1)
    assert note_of_restore(folder) == (
        "restored from the backup small rig 20260504T090000Z, until 4 May 2026, 09:00:50 UTC; "
        "what was measured after it is in record.before-restore-1"
    )
    drop_note(folder)
    assert note_of_restore(folder) is None
    assert [done.aside.name, "record"] == sorted(
        (p.name for p in tmp_path.glob("*record*")), reverse=True
    )


def test_measuring_goes_on_behind_a_restored_record(tmp_path: Path) -> None:
    folder = a_record(tmp_path / "record")
    made = backed_up(folder, tmp_path / "stick")
    restored(made.folder, tmp_path)
    with Keeper(folder, small_rig(), start_ms=1_777_900_000_000) as keeper:
        keeper.scan({"C 10/60": 15.0, "T core": 21.0})
    assert [number for number, _ in taken(folder)] == list(range(1, 52))
    (gap,) = Record(folder).gaps()
    assert gap.from_utc_ms == made.manifest.until_utc_ms


def with_a_log(folder: Path) -> None:
    """A record whose last scans lie in its log only, as after a power cut."""
    with Keeper(folder, small_rig()) as keeper:
        keeper.scan({"C 10/60": 99.0, "T core": 99.0})
        kept = {name: (folder / name).read_bytes() for name in (RECORD, "record.db-wal")}
    for name, content in kept.items():
        (folder / name).write_bytes(content)


def test_a_log_of_the_old_record_is_not_replayed_into_the_restored_one(tmp_path: Path) -> None:
    folder = a_record(tmp_path / "record")
    made = backed_up(folder, tmp_path / "stick")
    wanted = taken(folder)
    with_a_log(folder)
    # The trap is real: the log beside a plain copy brings back what it holds.
    trapped = shutil.copytree(folder, tmp_path / "trapped")
    shutil.copy(made.folder / RECORD, trapped / RECORD)
    assert len(taken(trapped)) == 51

    # A log that lies beside the backup itself counts as little.
    shutil.copy(folder / "record.db-wal", made.folder / "record.db-wal")
    restored(made.folder, tmp_path)

    assert sorted(path.name for path in folder.iterdir()) == [RECORD, "restored.txt"]
    with Keeper(folder, small_rig()):
        pass
    assert taken(folder) == wanted


def test_a_record_behind_a_link_is_restored_where_it_lies(tmp_path: Path) -> None:
    folder = a_record(tmp_path / "disk" / "record")
    made = backed_up(folder, tmp_path / "stick")
    (tmp_path / "rig").mkdir()
    (tmp_path / "rig" / "record").symlink_to(folder)
    done = restored(made.folder, tmp_path / "rig")
    assert done.aside == tmp_path / "disk" / "record.before-restore-1"
    assert (tmp_path / "rig" / "record").is_symlink()
    assert taken(tmp_path / "rig" / "record") == taken(done.aside)


def test_every_restore_sets_the_record_aside_under_a_number_of_its_own(tmp_path: Path) -> None:
    folder = a_record(tmp_path / "record")
    made = backed_up(folder, tmp_path / "stick")
    names = [restored(made.folder, tmp_path).aside for _ in range(3)]
    assert names == [tmp_path / f"record.before-restore-{n}" for n in (1, 2, 3)]
    assert all(taken(name) == taken(folder) for name in names if name is not None)


def test_nothing_is_touched_while_somebody_records(tmp_path: Path) -> None:
    folder = a_record(tmp_path / "record")
    made = backed_up(folder, tmp_path / "stick")
    with Keeper(folder, small_rig()):
        before = sorted(tmp_path.iterdir())
        with pytest.raises(StoreError, match=r"recording into .* Stop it first"):
            restored(made.folder, tmp_path)
        assert sorted(tmp_path.iterdir()) == before


def test_a_damaged_or_newer_backup_leaves_the_record_as_it_was(tmp_path: Path) -> None:
    folder = a_record(tmp_path / "record")
    made = backed_up(folder, tmp_path / "stick")
    before = everything(folder)
    manifest = (made.folder / MANIFEST).read_text()
    (made.folder / MANIFEST).write_text(manifest.replace('"form": 1', '"form": 7'))
    with pytest.raises(StoreError, match="newer version"):
        restored(made.folder, tmp_path)
    (made.folder / MANIFEST).write_text(manifest)
    with (made.folder / RECORD).open("r+b") as file:
        file.seek(5000)
        file.write(b"\x00\x01\x02")
    with pytest.raises(StoreError, match="is damaged"):
        restored(made.folder, tmp_path)
    with pytest.raises(TargetError, match="Name one of them"):
        restored(tmp_path / "stick", tmp_path)
    with pytest.raises(TargetError, match="is not a backup: it is not there"):
        restored(tmp_path / "nowhere", tmp_path)
    assert everything(folder) == before
    assert not list(tmp_path.glob("*restore*"))


def test_a_new_card_gets_the_rig_file_and_its_curves_too(tmp_path: Path) -> None:
    rig = replace(
        RIG,
        curves=(
            ("hemp.curve.toml", b"# hemp\n"),
            ("curves/lime.toml", b"# lime\n"),
            ("../shared.toml", b"# shared\n"),
        ),
    )
    made = backed_up(a_record(tmp_path / "record"), tmp_path / "stick", rig=rig)
    home = tmp_path / "new"
    home.mkdir()

    done = restored(made.folder, home)

    assert (done.aside, done.later) == (None, None)
    assert taken(home / "record") == taken(tmp_path / "record")
    assert (home / "rig.toml").read_bytes() == RIG.text
    assert (home / "curves" / "lime.toml").read_bytes() == b"# lime\n"
    assert set(done.written) == {
        home / name for name in ("rig.toml", "hemp.curve.toml", "curves/lime.toml")
    }
    assert not (tmp_path / "shared.toml").exists()  # outside of the rig's own folder
    assert any("shared.toml" in said for said in done.cautions)
    with pytest.raises(TargetError, match="Make the folder"):
        restored(made.folder, tmp_path / "nowhere")


def test_a_rig_file_that_is_there_stays_and_is_told_if_it_differs(tmp_path: Path) -> None:
    made = backed_up(a_record(tmp_path / "record"), tmp_path / "stick")
    (tmp_path / "rig.toml").write_text("# changed since\n")
    done = restored(made.folder, tmp_path)
    assert (tmp_path / "rig.toml").read_text() == "# changed since\n"
    (said,) = done.cautions
    assert str(made.folder / "rig.toml") in said


def test_photos_come_back_and_one_missing_from_the_stick_from_what_is_set_aside(
    tmp_path: Path,
) -> None:
    folder = a_record(tmp_path / "record")
    photos = [keep_photo(folder, jpeg_head(name)) for name in (b"pins", b"float", b"tray")]
    made = backed_up(folder, tmp_path / "stick")
    kept = tmp_path / "stick" / "small rig photos"
    (kept / photos[1].name).unlink()
    (kept / photos[2].name).write_bytes(b"bad")
    (folder / "photos" / photos[2].name).write_bytes(b"bad too")

    done = restored(made.folder, tmp_path)

    for photo, name in ((photos[0], b"pins"), (photos[1], b"float")):
        assert (folder / "photos" / photo.name).read_bytes() == jpeg_head(name)
    assert not (folder / "photos" / photos[2].name).exists()
    assert any("could not be restored" in s and photos[2].name in s for s in done.cautions)


@pytest.mark.parametrize("record", KEPT, ids=lambda path: path.parent.name)
def test_a_backup_of_an_earlier_version_works(record: Path, tmp_path: Path) -> None:
    (tmp_path / "old").mkdir()
    shutil.copy(record, tmp_path / "old" / RECORD)
    made = backed_up(tmp_path / "old", tmp_path / "stick")
    restored(made.folder, tmp_path)
    assert taken(tmp_path / "record") == taken(tmp_path / "old")
    with Keeper(tmp_path / "record", small_rig()):  # brings it up to date
        pass
    assert taken(tmp_path / "record") == taken(tmp_path / "old")


def test_what_root_restores_belongs_to_whom_the_record_belonged(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root may give files away")
    folder = a_record(tmp_path / "record")
    made = backed_up(folder, tmp_path / "stick")
    os.chown(folder, 65534, 65534)
    (folder / "lock").unlink()
    done = restored(made.folder, tmp_path)
    assert done.aside is not None
    for path in (folder, *folder.iterdir(), done.aside / "lock"):
        assert (path.stat().st_uid, path.stat().st_gid) == (65534, 65534), path


def test_what_was_asked_and_not_answered_yet_goes_along_with_its_photo(tmp_path: Path) -> None:
    folder = a_record(tmp_path / "record")
    made = backed_up(folder, tmp_path / "stick")
    Inbox(folder).close()
    photo = keep_photo(folder, jpeg_head())
    asked = ask(folder, kind="note", subject="rig", by="mk", utc_ms=1, body=photo.sha256)
    done = restored(made.folder, tmp_path)
    assert done.waiting == 1
    assert done.cautions == ()
    inbox = Inbox(folder)
    assert inbox.waiting() == [asked]
    inbox.close()
    assert any(photo.sha256 in path.name for path in (folder / "photos").iterdir())
    assert done.aside is not None
    assert Inbox(done.aside).waiting() == [asked]


def test_an_inbox_that_is_damaged_stays_where_it_is(tmp_path: Path) -> None:
    folder = a_record(tmp_path / "record")
    made = backed_up(folder, tmp_path / "stick")
    (folder / INBOX).write_bytes(b"no database" * 400)
    done = restored(made.folder, tmp_path)
    assert done.waiting == 0
    assert not (folder / INBOX).exists()
    (says,) = done.cautions
    assert "was not taken over" in says
    assert str(done.aside) in says


def test_a_disk_that_can_not_exchange_two_folders_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = a_record(tmp_path / "record")
    made = backed_up(folder, tmp_path / "stick")
    before = everything(folder)

    def swap(_one: Path, _other: Path) -> None:
        raise OSError(22, os.strerror(22))

    monkeypatch.setattr(restore_module, "swap", swap)
    with pytest.raises(StoreError, match=r"Move .* aside yourself"):
        restored(made.folder, tmp_path)
    assert {**everything(folder), "lock": b""} == {**before, "lock": b""}
    assert not list(tmp_path.glob("*restor*"))


@pytest.mark.long
def test_kill_at_any_moment_leaves_the_old_record_or_the_new_one_whole(tmp_path: Path) -> None:
    folder = a_record(tmp_path / "record", scans=1500)
    made = backed_up(folder, tmp_path / "stick")
    old = taken(folder)
    with Keeper(folder, small_rig(), start_ms=1_777_900_000_000) as keeper:
        keeper.scans([{"C 10/60": 15.0, "T core": 21.0}] * 500)
    newer = taken(folder)

    def once() -> None:
        restored(made.folder, tmp_path)

    def begin_again() -> None:
        for path in (*tmp_path.glob("record.before-restore-*"), tmp_path / "record.restoring"):
            if path.exists() and taken(path) == newer:
                shutil.rmtree(folder)
                path.rename(folder)
        for path in tmp_path.glob("*restor*"):
            shutil.rmtree(path)

    took = time_of(once)
    begin_again()
    seen = []
    for moment in range(30):
        killed(once, after=took * moment / 27)
        there = taken(folder)
        assert there in (old, newer)
        with closing(sqlite3.connect(f"file:{folder / RECORD}?mode=ro", uri=True)) as db:
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        seen.append(there == old)
        staged = [*tmp_path.glob("record.before-restore-*"), *tmp_path.glob("record.restoring")]
        kept = [taken(path) for path in staged]
        assert all(each in (old, newer) for each in kept)
        assert there == newer or newer in kept, "the record of before is nowhere"
        begin_again()
    assert set(seen) == {False, True}
