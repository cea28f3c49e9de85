"""`longsoak run` on a card that fills up, fails, or has lost what was on it."""

import errno
import json
import os
import sqlite3
import subprocess
from contextlib import closing
from functools import partial
from itertools import pairwise
from pathlib import Path

import pytest

from disks import fill, small_disk
from faults.preload import Kind, Preload
from longsoak.store.proofrequests import ask_to_keep
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.proof import Outcome, ProofEntry, Step
from processes import longsoak, running
from servers import Mailbox, mail_server
from waiting import wait_for
from whole.thermorig import lay_out, rom

pytestmark = pytest.mark.long


MARKS = """
[record]
low_mb = 20
reserve_mb = 0

[[alarms]]
watch = "disk low"
on_delay = 0

[[alarms]]
watch = "record refused"
on_delay = 0.5
"""


def mail_to(mailbox: Mailbox) -> str:
    return f"""
[notices.mail]
host = "127.0.0.1"
port = {mailbox.port}
from = "rig@example.org"
to = ["keeper@example.org"]

[[alarms]]
watch = "silent"
on_delay = 0.3
"""


def scans(folder: Path) -> int:
    try:
        return Record(folder / "record").version()[0]
    except StoreError:
        return 0


def times(file: Path) -> list[int]:
    """When each scan of a record was taken, whatever its name is now, UTC ms."""
    with closing(sqlite3.connect(file)) as db:
        assert db.execute("PRAGMA quick_check(1)").fetchone() == ("ok",)
        return [at for (at,) in db.execute("SELECT utc_ms FROM scan ORDER BY id")]


def says(folder: Path, kind: str) -> list[str]:
    events = Record(folder / "record").events(limit=999)
    return [event.says for event in reversed(events) if event.kind == kind]


def test_a_card_that_is_low_and_then_full_loses_nothing_and_is_told_so(
    tmp_path: Path,
) -> None:
    with small_disk(tmp_path / "card", megabytes=6) as card:
        rig_file = lay_out(card, more=MARKS)
        record = Record(card / "record")
        with running(rig_file) as run:
            wait_for(lambda: scans(card) >= 3, what="scans")
            ballast = fill(card)
            run.says("could not be kept")
            run.says("alarm record refused:record: new, not acknowledged")
            run.says("alarm disk low:record: new, not acknowledged")
            stuck = scans(card)
            shown = longsoak("now", rig_file, "--json")  # takes long enough for several polls
            assert json.loads(shown.stdout)["disk"]["free_bytes"] < 100_000, shown.stderr
            assert "It is full: what is measured waits" in longsoak("now", rig_file).stdout
            ballast.unlink()
            run.says("the record takes scans again; none was lost")
            wait_for(lambda: scans(card) >= stuck + 8, what="new scans")
            wait_for(
                lambda: record.alarms()["record refused:record"].new is AlarmState.GONE,
                what="the end of the alarm",
            )
            assert run.stop() == 0
        taken = times(card / "record" / "record.db")
    assert max(b - a for a, b in pairwise(taken)) < 400
    assert "Traceback" not in run.log


def test_a_card_that_turns_read_only_stops_nothing_and_alarms_go_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As cards do at the end of their life; here it comes round once more."""
    with mail_server() as mailbox:
        rig_file = lay_out(tmp_path, more=mail_to(mailbox) + MARKS.split("\n\n")[2])
        card = Preload(tmp_path / "faults", under=tmp_path / "record")
        with monkeypatch.context() as patched:
            for name, value in card.environment.items():
                patched.setenv(name, value)
            with running(rig_file) as run:
                wait_for(lambda: scans(tmp_path) >= 3, what="scans")
                writing = (Kind.WRITE, Kind.SYNC, Kind.TRUNCATE, Kind.UNLINK)
                card.fail(dict.fromkeys(writing, errno.EROFS))
                run.says("could not be kept")
                (tmp_path / "w1" / rom(1) / "w1_slave").write_text("")
                for words in ("The record takes nothing", "No reading, T1"):
                    wait_for(partial(mailed, mailbox, words), what=f"{words!r} by mail")
                # Nor can it be read any more.
                card.fail(dict.fromkeys(Kind, errno.EIO))
                (tmp_path / "w1" / rom(2) / "w1_slave").write_text("")
                wait_for(lambda: mailed(mailbox, "No reading, T2"), what="the alarm by mail")
                card.fail({})
                run.says("the record takes scans again; none was lost")
                assert run.stop() == 0
        card.close()
    assert not list((tmp_path / "record").glob("*damaged*"))  # the file was not at fault
    taken = times(tmp_path / "record" / "record.db")
    assert max(b - a for a, b in pairwise(taken)) < 1000
    assert "Traceback" not in run.log


def mailed(mailbox: Mailbox, words: str) -> bool:
    return any(words in f"{m['subject']} {m.get_content()}" for m in mailbox.mails)


def spoil(folder: Path, table: str) -> None:
    """Overwrite the first page of a table, as a card does that has worn out."""
    file = folder / "record" / "record.db"
    # Another process, or the locks of this one's readers would be lost with the file's closing.
    with closing(sqlite3.connect(file)) as db:
        (size,) = db.execute("PRAGMA page_size").fetchone()
        (root,) = db.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)
        ).fetchone()
    command = ["dd", "if=/dev/urandom", f"of={file}", "conv=notrunc", f"bs={size}", "count=1"]
    subprocess.run([*command, f"seek={root - 1}"], check=True, capture_output=True)


def test_a_record_that_turns_out_damaged_is_set_aside_and_measuring_goes_on(
    tmp_path: Path,
) -> None:
    with mail_server() as mailbox:
        rig_file = lay_out(tmp_path, more=mail_to(mailbox))
        folder = tmp_path / "record"
        with running(rig_file) as run:
            wait_for(lambda: scans(tmp_path) >= 3, what="scans")
            (tmp_path / "w1" / rom(1) / "w1_slave").write_text("")
            wait_for(lambda: mailed(mailbox, "No reading, T1"), what="the first alarm by mail")
            assert run.stop() == 0
        with running(rig_file) as run:
            before = scans(tmp_path)
            wait_for(lambda: scans(tmp_path) >= before + 3, what="scans")
            spoil(tmp_path, "proof_entry")
            step = ProofEntry(
                0, 5, "2031-02-03T04:05:06Z", Step.READS, "T0", Outcome.GOOD, "mk", "10 of 10", {}
            )
            uuid = ask_to_keep(folder, step).uuid
            run.says("it was set aside whole as record.db.damaged-1, and a new one begun")
            wait_for(lambda: scans(tmp_path) >= 5, what="scans in the new record")
            wait_for(lambda: mailed(mailbox, "The record was damaged"), what="that by mail")
            # What could not be kept for the damage is in the new one.
            wait_for(lambda: Record(folder).outcome(uuid) == "kept", what="the step of the proof")
            (tmp_path / "w1" / rom(2) / "w1_slave").write_text("")
            wait_for(lambda: mailed(mailbox, "No reading, T2"), what="what came after by mail")

            shown = longsoak("now", rig_file)
            assert "Set aside: record.db.damaged-1" in shown.stdout
            listed = longsoak("ack", "--rig", rig_file)
            assert "record damaged:record  new, not acknowledged" in listed.stdout
            assert "silent:T1  new, not acknowledged" in listed.stdout
            done = longsoak("ack", "record damaged:record", "--by", "mk", "--rig", rig_file)
            assert done.returncode == 0
            wait_for(
                lambda: Record(folder).alarms()["record damaged:record"].new is AlarmState.NORMAL,
                what="the end of the alarm",
            )
            assert run.stop() == 0
    # Nobody was told twice of what stood before.
    told = [mail for mail in mailbox.mails if "No reading, T1" in mail.get_content()]
    assert len(told) == 1
    (damage,) = says(tmp_path, "damage")
    assert f"it holds {len(times_of_damaged(folder))} scans from " in damage
    taken = [*times_of_damaged(folder), *times(folder / "record.db")]
    assert len(taken) == len(set(taken))
    since = taken[before + 1 :]  # the stop and the start
    assert max(b - a for a, b in pairwise(since)) < 1000
    assert "Traceback" not in run.log

    (folder / "record.db").write_bytes(os.urandom(50_000))
    with running(rig_file) as run:
        wait_for(lambda: scans(tmp_path) >= 3, what="scans in the third record")
        assert Record(folder).alarms()["record damaged:record"].new is AlarmState.NEW
        assert run.stop() == 0
    assert (folder / "record.db.damaged-2").stat().st_size == 50_000


def test_damage_that_only_an_outlet_meets_is_looked_into_at_once(tmp_path: Path) -> None:
    """The measuring process itself may not read that part of the file for a day."""
    with mail_server() as mailbox:
        rig_file = lay_out(tmp_path, more=mail_to(mailbox))
        with running(rig_file) as run:
            wait_for(lambda: scans(tmp_path) >= 3, what="scans")
            assert run.stop() == 0
        with running(rig_file) as run:
            before = scans(tmp_path)
            wait_for(lambda: scans(tmp_path) >= before + 3, what="scans")
            spoil(tmp_path, "alarm_change")
            run.says("it was set aside whole as record.db.damaged-1, and a new one begun")
            wait_for(lambda: mailed(mailbox, "The record was damaged"), what="that by mail")
            assert run.stop() == 0


def times_of_damaged(folder: Path) -> list[int]:
    with closing(sqlite3.connect(folder / "record.db.damaged-1")) as db:
        return [at for (at,) in db.execute("SELECT utc_ms FROM scan ORDER BY id")]
