"""`longsoak note`, run as a user runs it."""

import hashlib
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from cli.keeping import kept
from longsoak.core.water.entries import top_up_content
from longsoak.store.files import folder_of
from longsoak.store.inbox import Inbox
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.store.writer import Batch
from longsoak.vocabulary.logbook import TOP_UP, LogbookEntry
from photofiles import picture
from processes import longsoak, running
from service.setclock import SetClock
from unprivileged import as_reader, only_read
from waiting import wait_for
from whole.thermorig import lay_out

JPEG = picture(40, 30)
PNG = picture(40, 30, "PNG")


def test_an_entry_made_while_nobody_measures_is_kept_at_the_next_start(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    day_before = datetime.now(UTC) - timedelta(days=1)
    day, words = f"{day_before:%Y-%m-%d}", f"{day_before.day} {day_before:%b %Y}, 14:20:00 UTC"
    (tmp_path / "drip.jpg").write_bytes(JPEG)
    digest = hashlib.sha256(JPEG).hexdigest()
    with kept(rig_file):
        pass
    waits = longsoak(
        *("note", rig_file, "Left edge drips.\nTowel laid.", "--by", "mk", "--about", "T1"),
        *("--photo", tmp_path / "drip.jpg", "--at", f"{day} 14:20"),
    )
    assert (waits.returncode, waits.stderr) == (1, "")
    assert waits.stdout == (
        "It is kept, and not taken in yet: `longsoak run` is not running, and takes it in when it "
        "is started.\n"
    )
    assert longsoak("note", rig_file).stdout == "Nothing was written into the logbook yet.\n"

    with running(rig_file) as run:
        run.says(f"kept as number 1, of {words}")
        second = longsoak(
            "note", rig_file, "It was the right edge.", "--by", "wm", "--corrects", "1", "--json"
        )
        refused = longsoak("note", rig_file, "And that.", "--by", "wm", "--corrects", "7")
        third = longsoak("note", rig_file, "Dry again.", "--by", "wm", "--about", "bay:panel")
        assert run.stop() == 0, run.log
        assert "Traceback" not in run.log
    picture = json.loads(second.stdout)
    assert second.returncode == third.returncode == 0
    assert picture["outcome"].startswith("kept as number 2, of ")
    assert (picture["entry"]["number"], picture["entry"]["corrects"]) == (2, 1)
    assert third.stdout.startswith("Kept as number 3, of ")
    assert third.stdout.endswith(" UTC.\n")
    assert refused.returncode == 2
    assert refused.stderr == (
        "There is no entry 7 to correct; the newest is 2. Nothing was kept.\n"
    )

    listed = longsoak("note", rig_file)
    blocks = listed.stdout.split("\n\n")
    assert listed.returncode == 0
    assert [block.split("  ")[0] for block in blocks if block.strip()] == ["3", "2", "1"]
    assert "  wm  bay panel" in blocks[0]
    assert "corrects 1)\n   It was the right edge." in blocks[1]
    assert blocks[2].startswith(f"1  {words}  mk  T1\n   (written ")
    assert "; corrected by 2)\n   Left edge drips.\n   Towel laid.\n   photo " in blocks[2]
    photo = Path(blocks[2].rpartition("photo ")[2].strip())
    assert (photo.name, photo.read_bytes()) == (f"{digest}.jpg", JPEG)
    first = json.loads(longsoak("note", rig_file, "--since", day, "--json").stdout)[-1]
    assert (first["at"], first["photos"]) == (f"{day}T14:20:00.000Z", [digest])
    later = longsoak("note", rig_file, "--since", f"{day} 14:21").stdout
    assert "Left edge drips" not in later
    assert "Dry again." in later


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["rig", "wet", "--by", "mk", "--about", "T9"], "There is no probe or bay 'T9' on this"),
        (["rig", "wet", "--by", "mk", "--at", "noon"], "'noon' is no time, expected 2026-05-04"),
        (["rig", "wet", "--by", "mk", "--at", "2099-01-01 10:00"], "is yet to come: by this mach"),
        (["rig", "wet", "--by", "mk", "--photo", "none.jpg"], "none.jpg can't be read: No such"),
        (["rig", "wet", "--by", "mk", "--photo", "rig"], "The file is no photo: a JPEG, PNG"),
        (["rig", "--since", "lately"], "expected 2026-05-04, 2026-05-04 14:20 or, for today"),
        (["rig", "--by", "mk"], "Write the text behind the rig file"),
        (["Left edge drips."], "Write the text behind the rig file"),
        (["none.toml", "wet"], "none.toml"),
    ],
)
def test_what_can_not_be_kept_is_refused_in_a_sentence_and_nothing_is_asked(
    tmp_path: Path, arguments: list[str], says: str
) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        ended = longsoak("note", *(str(rig_file) if a == "rig" else a for a in arguments))
        assert (ended.returncode, ended.stdout) == (2, "")
        assert says in ended.stderr
        assert "Traceback" not in ended.stderr
        inbox = Inbox(record.folder)
        assert inbox.waiting() == []
        inbox.close()
        assert not (record.folder / "photos").exists()


def test_somebody_who_may_only_read_reads_and_is_told_who_may_write(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    (tmp_path / "drip.png").write_bytes(PNG)
    with kept(rig_file) as record:
        pass
    with only_read(tmp_path):
        listed = as_reader("note", rig_file, "--json")
        refused = as_reader("note", rig_file, "wet", "--by", "mk")
        photo = as_reader("note", rig_file, "wet", "--by", "mk", "--photo", tmp_path / "drip.png")
    assert (listed.returncode, json.loads(listed.stdout)) == (0, [])
    assert refused.returncode == photo.returncode == 1
    assert f"this user may not write in {record.folder}. Ask as" in refused.stderr
    assert f"can't be kept in {record.folder / 'photos'}: Permission denied." in photo.stderr
    assert Logbook(record.folder).entries() == []


def test_on_a_machine_whose_clock_was_never_set_an_entry_gets_its_day_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig_file, clock = lay_out(tmp_path), SetClock(tmp_path / "clock", monkeypatch)
    began = datetime.now(UTC)
    clock.set(3600 - began.timestamp())  # an hour into 1970
    with running(rig_file) as run:
        run.says("bus wood: open")
        first = longsoak("note", rig_file, "First drops.", "--by", "mk")
        hour = longsoak("note", rig_file, "Delivered.", "--by", "mk", "--at", "14:20")
        given = longsoak("note", rig_file, "Delivered.", "--by", "mk", "--at", "2026-05-04 14:20")
        listed = longsoak("note", rig_file)
        clock.set(0)
        clock.synchronised(True)
        record = Record(folder_of(rig_file))
        wait_for(
            lambda: [e for e in record.events(limit=50) if "synchronised now" in e.says],
            what="the clock",
        )
        placed = longsoak("note", rig_file)
        late = longsoak("note", rig_file, "--since", f"{began - timedelta(days=1):%Y-%m-%d}")
        assert run.stop() == 0, run.log
    assert first.stdout == (
        "Kept as number 1, of now: this machine's clock is not set yet, and the day is added once "
        "it is.\n"
    )
    assert (hour.returncode, given.returncode) == (2, 0)
    assert hour.stderr == (
        "This machine's clock is not set yet, so that it does not know what day it is. Write the "
        "day too, as in 2026-05-04 14:20. Nothing was kept.\n"
    )
    assert "1  1 Jan 1970, 01:" in listed.stdout
    of_1, of_2 = placed.stdout.split("\n\n")[1], placed.stdout.split("\n\n")[0]
    assert of_1.startswith(f"1  {began.day} {began:%b %Y}, ")
    assert "(1 Jan 1970, 01:" in of_1
    assert "by a clock that was not synchronised)" in of_1
    assert of_2.startswith("2  4 May 2026, 14:20:00 UTC")
    assert "First drops." in late.stdout
    assert "Delivered." not in late.stdout


def test_a_top_up_is_listed_with_its_levels_even_if_its_sentence_has_none(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    content = top_up_content(litres=4.5, before_mm=88, after_mm=99.1, litres_by_can=5)
    with kept(rig_file) as record:
        entry = LogbookEntry(
            asked_utc_ms=record.now_ms,
            at_utc_ms=record.now_ms,
            by="mk",
            says="Topped up by 4.5 L.",
            kind=TOP_UP,
            content=content,
            number=1,
            request="u1",
            kept_utc_ms=record.now_ms,
        )
        record.writer.commit(Batch(logbook=[entry]))
    listed = longsoak("note", rig_file).stdout
    assert "\n   Topped up by 4.5 L.\n   88.0 mm before, 99.1 mm after, 5 L by the can.\n" in listed
