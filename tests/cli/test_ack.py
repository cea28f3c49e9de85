"""`longsoak ack`, run as a user runs it; with a measuring process it is in tests/whole."""

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from hashlib import shake_256
from pathlib import Path

import pytest

from cli.keeping import Kept, kept
from longsoak.store.inbox import Inbox
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import AlarmState
from processes import longsoak, running
from unprivileged import as_reader, only_read
from waiting import wait_for
from whole.thermorig import lay_out, rom

NEW, NORMAL, GONE, ACKNOWLEDGED = (
    AlarmState.NEW,
    AlarmState.NORMAL,
    AlarmState.GONE,
    AlarmState.ACKNOWLEDGED,
)


def asked(record: Kept) -> list[tuple[str, str]]:
    inbox = Inbox(record.folder)
    found = [(request.subject, request.by) for request in inbox.waiting()]
    inbox.close()
    return found


def test_what_wants_an_answer_is_listed_with_its_key_and_nothing_else(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        nothing = longsoak("ack", "--rig", rig_file)
        assert (nothing.returncode, nothing.stdout) == (0, "There is nothing to acknowledge.\n")
        record.change("silent:T0", NORMAL, NEW, ago=9, says="no answer")
        record.change("silent:T1", NORMAL, NEW, ago=9, says="no answer")
        record.change("silent:T1", NEW, GONE, ago=8, says="answers again")
        record.change("silent:T2", NORMAL, NEW, ago=9, says="no answer")
        record.change("silent:T2", NEW, ACKNOWLEDGED, ago=8, says="by mk")
        listed = longsoak("ack", "--rig", rig_file)
    assert listed.returncode == 1
    assert sorted(listed.stdout.splitlines()) == [
        f"silent:T0  {NEW.value}: no answer",
        f"silent:T1  {GONE.value}: answers again",
    ]


def test_while_nobody_takes_requests_the_request_waits_and_the_code_is_1(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        ended = longsoak("ack", "silent:T1", "--by", " mk ", "--rig", rig_file)
        assert ended.returncode == 1
        assert ended.stdout == (
            "It is kept, and not taken in yet: `longsoak run` takes in what was asked in turn.\n"
        )
        again = longsoak("ack", "silent:T1", "--by", "mk", "--rig", rig_file)
        assert "takes in what was asked in turn, after 1 other asked before it." in again.stdout
        assert asked(record) == [("silent:T1", "mk"), ("silent:T1", "mk")]


def test_without_initials_the_users_name_is_taken(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        longsoak("ack", "silent:T1", "--rig", rig_file, LOGNAME="wm")
        assert asked(record) == [("silent:T1", "wm")]


@pytest.mark.parametrize("command", [("ack",), ("shelve", "--for", "2h", "--why", "New dowel")])
def test_a_key_that_is_none_is_told_with_near_ones_and_nothing_is_asked(
    tmp_path: Path, command: tuple[str, ...]
) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        for key, hint in (
            ("silent:T9", "Was 'silent:T"),
            ("nope:thing", "A key is what is watched, a colon and of what, such as '"),
        ):
            ended = longsoak(command[0], key, *command[1:], "--by", "mk", "--rig", rig_file)
            assert (ended.returncode, ended.stdout) == (2, "")
            assert ended.stderr.startswith(f"There is no alarm {key!r} on this rig. {hint}")
            assert ended.stderr.endswith(" Nothing was asked.\n")
        assert asked(record) == []


@pytest.mark.parametrize(
    ("alarm", "by", "says"),
    [
        ("silent:T1", "", "Say who you are"),
        ("silent:T1", "m\nk", "Initials are 1 to 20 printable characters; these are 3, not all"),
        ("silent:T1", "x" * 21, "Initials are 1 to 20 printable characters; these are 21."),
        ("silent:\x1b[2J", "mk", "An alarm or a probe is called by 1 to 200 printable characters"),
    ],
)
def test_what_cannot_stand_in_the_record_is_refused_and_nothing_is_asked(
    tmp_path: Path, alarm: str, by: str, says: str
) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        ended = longsoak("ack", alarm, "--by", by, "--rig", rig_file)
        assert ended.returncode == 2
        assert ended.stdout == ""
        assert ended.stderr.startswith(says)
        assert ended.stderr.count("\n") == 1
        assert asked(record) == []


def test_somebody_who_may_not_write_is_told_who_may(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        record.change("silent:T0", NORMAL, NEW, ago=9, says="no answer")
    with only_read(tmp_path):
        listed = as_reader("ack", "--rig", rig_file)
        refused = as_reader("ack", "silent:T0", "--by", "mk", "--rig", rig_file)
    assert listed.stdout == f"silent:T0  {NEW.value}: no answer\n"
    assert refused.returncode == 1
    assert refused.stderr == (
        "nothing could be asked of the measuring process: this user may not write in "
        f"{tmp_path}/record. Ask as the user who runs `longsoak run`, or on its pages.\n"
    )


def test_a_damaged_or_missing_inbox_is_told_with_the_way_out(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        (record.folder / "inbox.db").write_bytes(b"no database " * 500)
        ended = longsoak("ack", "silent:T0", "--by", "mk", "--rig", rig_file)
        assert ended.returncode == 1
        assert "A running `longsoak run` makes a new one in a few seconds" in ended.stderr
        (record.folder / "inbox.db").unlink()
        ended = longsoak("ack", "silent:T0", "--by", "mk", "--rig", rig_file)
        assert ended.returncode == 1
        assert (
            "`longsoak run` makes it: start it there if it isn't running, "
            "else ask again in a few seconds."
        ) in ended.stderr
        Inbox(record.folder).close()
        holder = sqlite3.connect(record.folder / "inbox.db", isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        ended = longsoak("ack", "silent:T0", "--by", "mk", "--rig", rig_file)
        holder.close()
        assert ended.returncode == 1
        assert "is held by another process. Ask again." in ended.stderr


def test_a_run_takes_requests_again_after_its_inbox_was_damaged_or_deleted(tmp_path: Path) -> None:
    more = '[[alarms]]\nwatch = "silent"\non_delay = 0.3\n'
    rig_file = lay_out(tmp_path, more=more)
    for number in (1, 2):
        (tmp_path / "w1" / rom(number) / "w1_slave").write_text("")
    inbox = tmp_path / "record" / "inbox.db"
    inbox.parent.mkdir()
    inbox.write_bytes(b"no database " * 500)
    record = Record(inbox.parent)

    def acknowledged(key: str) -> bool:
        # Nobody takes the request for the instant until the loss is noticed.
        return longsoak("ack", key, "--by", "mk", "--rig", rig_file).returncode == 0

    with running(rig_file) as run:
        run.says("alarm silent:T2")
        assert inbox.with_name("inbox.db.damaged-1").exists()
        assert acknowledged("silent:T1")
        for file in inbox.parent.glob("inbox.db*"):
            file.unlink()
        wait_for(lambda: acknowledged("silent:T2"), what="an acknowledgement")
        assert run.stop() == 0
        assert "Traceback" not in run.log
    states = {key: change.new for key, change in record.alarms().items()}
    assert states == {"silent:T1": ACKNOWLEDGED, "silent:T2": ACKNOWLEDGED}


def cut_to_nothing(inbox: Path) -> None:
    os.truncate(inbox, 0)


def random_bytes(inbox: Path) -> None:
    with inbox.open("r+b") as file:
        file.write(shake_256(b"").digest(inbox.stat().st_size))


def random_bytes_behind_the_head(inbox: Path) -> None:
    """The first page, which holds the count of changes, stays as it is."""
    with inbox.open("r+b") as file:
        file.seek(4096)
        file.write(shake_256(b"").digest(inbox.stat().st_size - 4096))


def without_what_is_beside_it(inbox: Path) -> None:
    for beside in inbox.parent.glob("inbox.db-*"):
        beside.unlink()


def a_link_to_nowhere(inbox: Path) -> None:
    inbox.unlink()
    inbox.symlink_to("/nowhere/inbox.db")


@pytest.mark.parametrize(
    "damage",
    [
        cut_to_nothing,
        random_bytes,
        random_bytes_behind_the_head,
        without_what_is_beside_it,
        a_link_to_nowhere,
    ],
)
def test_a_run_notices_damage_to_the_inbox_it_has_open_and_answers_again(
    tmp_path: Path, damage: Callable[[Path], None]
) -> None:
    more = '[[alarms]]\nwatch = "silent"\non_delay = 0.3\n'
    rig_file = lay_out(tmp_path, more=more)
    for number in (1, 2):
        (tmp_path / "w1" / rom(number) / "w1_slave").write_text("")
    inbox = tmp_path / "record" / "inbox.db"

    def answered() -> bool:
        ended = longsoak("ack", "silent:T2", "--by", "mk", "--rig", rig_file)
        # What is said on the way must be true of a run that goes on.
        assert "Start `longsoak run`" not in ended.stdout + ended.stderr
        return ended.returncode == 0

    with running(rig_file) as run:
        run.says("alarm silent:T2")
        assert longsoak("ack", "silent:T1", "--by", "mk", "--rig", rig_file).returncode == 0
        damage(inbox)
        wait_for(answered, what="an acknowledgement", limit=10)
        assert run.stop() == 0
        assert "Traceback" not in run.log


def test_behind_twenty_thousand_requests_an_answer_still_comes(tmp_path: Path) -> None:
    more = '[[alarms]]\nwatch = "silent"\non_delay = 0.3\n'
    rig_file = lay_out(tmp_path, more=more)
    (tmp_path / "w1" / rom(1) / "w1_slave").write_text("")
    with running(rig_file) as run:
        run.says("alarm silent:T1")
        with closing(sqlite3.connect(tmp_path / "record" / "inbox.db", timeout=20)) as db, db:
            db.executemany(
                "INSERT INTO request (uuid, asked_utc_ms, kind, subject, by)"
                " VALUES (?, 5, 'acknowledge', ?, 'mk')",
                [(f"{n:032x}", f"silent:{n}") for n in range(20_000)],
            )
        ended = longsoak("ack", "silent:T1", "--by", "mk", "--rig", rig_file)
        assert (ended.returncode, ended.stderr) == (0, ""), ended.stdout
        assert ended.stdout.startswith("silent:T1: acknowledged")
        assert run.stop() == 0
