"""What the measuring process makes of what is asked to stand in the logbook, in a real record."""

import queue
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from longsoak.core.handreadings import Place, Setting, Shown, hand_content, said_words
from longsoak.service.clock import SystemClock
from longsoak.service.recorder import Message, Recorder
from longsoak.store.aside import DamageError
from longsoak.store.inbox import Inbox
from longsoak.store.logbook import Logbook
from longsoak.store.logbookrequests import ask_to_write
from longsoak.store.photos import keep_photo
from longsoak.store.reader import Record
from longsoak.store.unkept import Unkept
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.logbook import HAND, About, LogbookEntry, Subject
from photofiles import jpeg_head
from service.benchrig import bench
from service.test_recorder import events, recorded

NOW_MS = SystemClock().utc_ms()
NOTE = LogbookEntry(
    asked_utc_ms=NOW_MS, at_utc_ms=NOW_MS - 600_000, by="mk", says="Left edge drips."
)


def outcomes(folder: Path, *entries: LogbookEntry) -> list[str | None]:
    """What became of each entry, asked of one run."""
    uuids: list[str] = []
    record = recorded(
        folder, [], ask=lambda: uuids.extend(ask_to_write(folder, e).uuid for e in entries)
    )
    return [record.outcome(uuid) for uuid in uuids]


def test_entries_are_numbered_in_the_order_they_were_asked_without_a_hole(tmp_path: Path) -> None:
    photo = keep_photo(tmp_path, jpeg_head())
    wood = replace(
        NOTE,
        subject=Subject(About.PROBE, "wood"),
        photos=(photo.sha256,),
        says="Seat re-glued.\nDry since noon.",
    )
    first = outcomes(tmp_path, NOTE, replace(NOTE, corrects=9), wood)
    assert [str(outcome).partition(",")[0] for outcome in first] == [
        "kept as number 1",
        "refused: There is no entry 9 to correct; the newest is 1. Nothing was kept.",
        "kept as number 2",
    ]
    (second,) = outcomes(tmp_path, replace(NOTE, says="The right edge.", corrects=1))
    assert str(second).startswith("kept as number 3, of ")
    newest, middle, oldest = Logbook(tmp_path).entries()
    assert (oldest.number, oldest.says, oldest.corrected_by) == (1, NOTE.says, (3,))
    assert (newest.number, newest.corrects, newest.run) == (3, 1, 2)
    assert (middle.subject, middle.photos) == (wood.subject, wood.photos)
    assert middle.asked_utc_ms == NOW_MS <= middle.kept_utc_ms
    assert (middle.at_utc_ms, middle.run, middle.rig_version) == (NOW_MS - 600_000, 1, 1)


def test_what_is_not_kept_is_told_as_an_event_for_whoever_wrote_may_be_gone(
    tmp_path: Path,
) -> None:
    asked = [
        replace(NOTE, subject=Subject(About.PROBE, "stone")),
        replace(NOTE, photos=("a" * 64,)),
        replace(NOTE, at_utc_ms=1_000),
    ]
    uuids: list[str] = []
    record = recorded(
        tmp_path, [], ask=lambda: uuids.extend(ask_to_write(tmp_path, e).uuid for e in asked)
    )
    told = events(record, "logbook")
    assert ["refused" in str(record.outcome(uuid)) for uuid in uuids] == [True] * 3
    assert told[0].startswith("not kept, by mk: There is no probe or bay 'stone' on this rig.")
    assert told[1].startswith("not kept, by mk: There is no photo aaaaaaaaaaaa... beside the rec")
    assert "is more than 3 years before this record began" in told[2]
    assert Logbook(tmp_path).entries() == []


def test_an_entry_whose_request_outlives_a_crash_is_kept_once(tmp_path: Path) -> None:
    recorded(tmp_path, [], ask=lambda: ask_to_write(tmp_path, NOTE))
    before = Logbook(tmp_path).entries()
    # An inbox that holds the request still, as one does that was not told of the commit.
    again = tmp_path / "again"
    again.mkdir()
    other = Inbox(again)
    ask_to_write(again, NOTE)
    other.close()
    with closing(sqlite3.connect(again / "inbox.db")) as db, db:
        db.execute("UPDATE request SET uuid = ?", (before[0].request,))
    (again / "inbox.db").replace(tmp_path / "inbox.db")
    recorded(tmp_path, [])
    assert Logbook(tmp_path).entries() == before


class FindsDamage:
    """A chore that finds the record damaged when it is told to."""

    name = "looking over"

    def __init__(self) -> None:
        self.finds = False

    def do(self, *, now: float, utc_ms: int) -> tuple[float, Sequence[Event]]:
        if self.finds:
            self.finds = False
            raise DamageError("a page of it can't be read")
        return 0.0, []


def test_in_a_new_record_in_place_of_a_damaged_one_the_numbers_begin_again(tmp_path: Path) -> None:
    """As they would after a restart, which finds no entry in it."""
    clock, chore = SystemClock(), FindsDamage()
    writer = RecordWriter(tmp_path, now="2031-02-03T04:05:06Z")
    writer.accept_rig("bench", utc_ms=clock.utc_ms())
    writer.begin_run(
        boot=clock.boot,
        software="0",
        utc_ms=clock.utc_ms(),
        boottime_ms=clock.boottime_ms(),
        synchronised=False,
    )
    inbox = Inbox(tmp_path)
    messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
    recorder = Recorder(
        bench(),
        writer=writer,
        inbox=inbox,
        clock=clock,
        messages=messages,
        unkept=Unkept(),
        committed=lambda: None,
        seen=lambda _: None,
        closer=lambda _: None,
        chores=lambda: [chore],
    )
    uuids = [ask_to_write(tmp_path, NOTE).uuid, ask_to_write(tmp_path, NOTE).uuid]
    recorder.turn()
    assert Logbook(tmp_path).last() == 2
    chore.finds = True
    recorder.turn()
    assert Logbook(tmp_path).last() == 0
    assert (tmp_path / "record.db.damaged-1").exists()
    uuids += [
        ask_to_write(tmp_path, entry).uuid
        for entry in (replace(NOTE, corrects=1), replace(NOTE, says="Wet again."))
    ]
    recorder.turn()
    record = Record(tmp_path)
    assert str(record.outcome(uuids[2])).startswith("refused: There is no entry 1 to correct")
    assert str(record.outcome(uuids[3])).startswith("kept as number 1, of ")
    assert [entry.says for entry in Logbook(tmp_path).entries()] == ["Wet again."]
    inbox.close()
    writer.close()


def by_hand(bay: str, round_name: str, *, same_hole: bool = False) -> LogbookEntry:
    setting = Setting(round=round_name, meter="pin meter 2", scale="fir", pins="bare")
    content = hand_content(Place(10, 20), Shown(17.5, "%"), setting, same_hole=same_hole)
    return replace(
        NOTE, kind=HAND, subject=Subject(About.BAY, bay), content=content,
        says=said_words(bay, content),
    )  # fmt: skip


def test_a_hole_is_used_once_also_of_entries_that_were_not_committed_yet(tmp_path: Path) -> None:
    bay = bench().specimen.bays[0].name
    found = outcomes(
        tmp_path,
        by_hand(bay, "1"),
        by_hand(bay, "2"),
        by_hand(bay, "3", same_hole=True),
        replace(NOTE, corrects=1, says="That was the other bay."),
        replace(NOTE, corrects=2, says="And that."),
        by_hand(bay, "4"),
    )
    assert [str(outcome).partition(",")[0] for outcome in found] == [
        "kept as number 1",
        "refused: 10 mm deep",
        "kept as number 2",
        "kept as number 3",
        "kept as number 4",
        "kept as number 5",
    ]
    # A day later, by another run.
    (refused,) = outcomes(tmp_path, by_hand(bay, "5"))
    assert "is 0 mm from the hole of round 4" in str(refused)
