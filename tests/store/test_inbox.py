"""Requests reach the measuring process once, whatever happens to the file they wait in."""

import os
import sqlite3
import timeit
from collections.abc import Callable
from contextlib import closing
from hashlib import shake_256
from pathlib import Path

import pytest

from longsoak.store.inbox import Inbox
from longsoak.store.requests import ACKNOWLEDGE, Request, ask, waiting_before
from longsoak.vocabulary.errors import RequestError, StoreError


def ask_for(folder: Path, subject: str = "overfill:water level", *, by: str = "mk") -> Request:
    return ask(folder, kind=ACKNOWLEDGE, subject=subject, by=by, utc_ms=5)


def looked_until(inbox: Inbox, wanted: int, *, looks: int = 50) -> list[Request]:
    """What `inbox` brings within as many looks as it may rest, once it brings `wanted`."""
    found: list[Request] = []
    for _ in range(looks):
        found += inbox.waiting()
        if len(found) >= wanted:
            break
    return found


def test_a_request_waits_until_it_is_dropped(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path)
    assert inbox.waiting() == []
    asked = ask_for(tmp_path)
    assert inbox.waiting() == [asked]
    assert inbox.waiting() == []  # nothing new was written, so nothing is read again
    inbox.close()

    after_a_crash = Inbox(tmp_path)
    assert after_a_crash.waiting() == [asked]
    after_a_crash.drop([asked])
    another = ask_for(tmp_path, "dry:water level")
    assert after_a_crash.waiting() == [another]
    assert after_a_crash.news() == []
    after_a_crash.close()


def test_a_request_is_handed_out_once_however_long_its_dropping_takes(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path)
    first = ask_for(tmp_path)
    assert inbox.waiting() == [first]
    second = ask_for(tmp_path, "dry:water level")
    assert inbox.waiting() == [second]
    inbox.close()


def test_without_a_measuring_process_there_is_nobody_to_ask(tmp_path: Path) -> None:
    says = r"there is no .*: start it there if it isn't running, else ask again in a few seconds"
    with pytest.raises(StoreError, match=says):
        ask_for(tmp_path)
    with pytest.raises(StoreError, match=says):
        ask_for(tmp_path / "record")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("by", "says"),
    [
        ("", "Say who you are, by initials of 1 to 20 printable characters."),
        (" \t", "Say who you are"),
        ("x" * 21, "Initials are 1 to 20 printable characters; these are 21. Nothing was asked."),
        ("m\nk", "these are 3, not all of them printable."),
        ("m\x1b[2Jk", "not all of them printable"),
        ("m\u2028k", "not all of them printable"),
        ("m\udc80k", "not all of them printable"),  # how Python reads an argument not in UTF-8
    ],
)
def test_initials_that_could_not_stand_on_a_line_are_refused(
    tmp_path: Path, by: str, says: str
) -> None:
    inbox = Inbox(tmp_path)
    with pytest.raises(RequestError) as refused:
        ask_for(tmp_path, by=by)
    assert says in str(refused.value)
    assert str(refused.value).endswith("Nothing was asked.")
    assert inbox.waiting() == []
    inbox.close()


def test_initials_lose_the_space_around_them_and_nothing_else(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path)
    ask_for(tmp_path, by="  M. Kühn-Özil \n")
    (request,) = inbox.waiting()
    assert request.by == "M. Kühn-Özil"
    inbox.close()


@pytest.mark.parametrize("subject", ["", "overfill:\nwater", "x" * 201, "a\udc80"])
def test_what_can_be_no_alarms_name_is_refused(tmp_path: Path, subject: str) -> None:
    inbox = Inbox(tmp_path)
    with pytest.raises(RequestError, match="`longsoak ack` lists the alarms that stand"):
        ask_for(tmp_path, subject)
    assert inbox.waiting() == []
    # A rig file may name a probe with a space that doesn't break, and its alarm can be answered.
    assert ask_for(tmp_path, "silent:T\u00a01").subject == "silent:T\u00a01"
    inbox.close()


def garbage(path: Path) -> None:
    path.write_bytes(b"this was a database once " * 400)


def torn(path: Path) -> None:
    """Keep a real file's head and lose its tail, as a power cut on a bad card does."""
    path.write_bytes(path.read_bytes()[:5000])


def of_another_make(path: Path) -> None:
    path.unlink()
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE request (uuid, asked_utc_ms, kind, subject, by, id)")
    db.execute("INSERT INTO request (uuid, by) VALUES (7, NULL)")
    db.commit()
    db.close()


def a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()
    (path / "keep.txt").write_text("kept")


DAMAGES = [garbage, torn, of_another_make, a_folder]


def full_inbox(folder: Path) -> Path:
    """A real inbox, closed, with requests on more pages than one."""
    inbox = Inbox(folder)
    for number in range(60):
        ask_for(folder, f"silent:{number:0150d}")
    inbox.close()
    return folder / "inbox.db"


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_inbox_is_kept_aside_and_a_new_one_takes_requests(
    tmp_path: Path, damage: Callable[[Path], None]
) -> None:
    path = full_inbox(tmp_path)
    damage(path)
    before = path.read_bytes()[100:] if path.is_file() else b""  # opening may touch the head

    inbox = Inbox(tmp_path)
    assert inbox.waiting() == []
    (news,) = inbox.news()
    assert news.startswith("inbox.db was damaged (")
    assert "is kept as inbox.db.damaged-1; " in news
    assert inbox.news() == []
    asked = ask_for(tmp_path)
    assert looked_until(inbox, 1) == [asked]
    inbox.drop([asked])
    assert inbox.news() == []
    inbox.close()
    aside = tmp_path / "inbox.db.damaged-1"
    assert (aside.read_bytes()[100:] if aside.is_file() else b"") == before
    assert aside.is_file() or (aside / "keep.txt").exists()


@pytest.mark.parametrize("damage", [garbage, torn])
def test_an_inbox_damaged_under_way_is_noticed_and_made_anew(
    tmp_path: Path, damage: Callable[[Path], None]
) -> None:
    full_inbox(tmp_path)
    inbox = Inbox(tmp_path)
    assert len(inbox.waiting()) == 60
    inbox.close()  # folds the log in, so that the damage is all there is
    inbox = Inbox(tmp_path)
    damage(tmp_path / "inbox.db")
    inbox.drop([])
    found = inbox.waiting()
    inbox.drop(found)
    inbox.waiting()
    assert any("inbox.db.damaged-1" in says for says in inbox.news())
    asked = ask_for(tmp_path)
    assert looked_until(inbox, 1) == [asked]
    inbox.close()


def test_an_inbox_deleted_under_way_is_made_anew_and_what_was_asked_is_not_lost(
    tmp_path: Path,
) -> None:
    inbox = Inbox(tmp_path)
    taken = ask_for(tmp_path)
    assert inbox.waiting() == [taken]
    last = ask_for(tmp_path, "dry:water level")
    for file in tmp_path.glob("inbox.db*"):
        file.unlink()
    assert inbox.waiting() == [last]
    assert inbox.news() == [
        "inbox.db was deleted or replaced; the one in its place is used from now"
    ]
    inbox.drop([taken, last])
    asked = ask_for(tmp_path)
    assert inbox.waiting() == [asked]
    assert inbox.news() == []
    inbox.close()


def cut_to_nothing(path: Path) -> None:
    os.truncate(path, 0)


def random_bytes(path: Path) -> None:
    overwrite(path, 0)


def random_bytes_behind_the_head(path: Path) -> None:
    """The first page, which holds the count of changes, stays as it is."""
    overwrite(path, 4096)


def overwrite(path: Path, start: int) -> None:
    length = path.stat().st_size - start
    with path.open("r+b") as file:
        file.seek(start)
        file.write(shake_256(b"").digest(length))


def a_link_to_nowhere(path: Path) -> None:
    path.unlink()
    path.symlink_to("/nowhere/inbox.db")


def a_link_to_itself(path: Path) -> None:
    path.unlink()
    path.symlink_to(path.name)


IN_PLACE = [
    cut_to_nothing,
    random_bytes,
    random_bytes_behind_the_head,
    torn,
    a_link_to_nowhere,
    a_link_to_itself,
]


@pytest.mark.parametrize("damage", IN_PLACE)
def test_damage_to_an_open_inbox_is_noticed_by_looking_alone(
    tmp_path: Path, damage: Callable[[Path], None]
) -> None:
    inbox = Inbox(tmp_path)
    first = [ask_for(tmp_path, f"silent:{number:0150d}") for number in range(60)]
    assert inbox.waiting() == first
    inbox.drop(first[:30])
    assert inbox.waiting() == []
    damage(tmp_path / "inbox.db")
    for _ in range(30):
        assert inbox.waiting() == []
    assert len(inbox.news()) in (1, 2)  # a link is replaced, and then found to lead nowhere
    asked = ask_for(tmp_path)
    assert looked_until(inbox, 1) == [asked]
    inbox.drop([asked])
    assert inbox.waiting() == []
    assert inbox.news() == []
    inbox.close()


def test_an_open_inbox_keeps_no_file_beside_it(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path)
    asked = ask_for(tmp_path)
    assert inbox.waiting() == [asked]
    inbox.drop([asked])
    assert [path.name for path in tmp_path.iterdir()] == ["inbox.db"]
    inbox.close()


def test_a_file_that_was_only_touched_goes_on_as_it_was(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path)
    asked = ask_for(tmp_path)
    assert inbox.waiting() == [asked]
    os.utime(tmp_path / "inbox.db", (1, 1))
    assert inbox.waiting() == []
    assert inbox.news() == []
    inbox.drop([asked])
    assert inbox.waiting() == []
    assert inbox.news() == []
    inbox.close()


def test_many_requests_are_handed_out_in_turn_and_none_twice(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path)
    by_hand(tmp_path, *((f"{n:032x}", 5, "acknowledge", f"silent:T{n}", "mk") for n in range(1200)))
    last = ask_for(tmp_path)
    assert waiting_before(tmp_path, last.uuid) == 1200
    handed = []
    while found := inbox.waiting():
        assert len(found) <= 500
        handed += found
        inbox.drop(found)
    assert [request.subject for request in handed[:-1]] == [f"silent:T{n}" for n in range(1200)]
    assert handed[-1] == last
    assert waiting_before(tmp_path, last.uuid) is None
    inbox.close()


def by_hand(folder: Path, *rows: tuple[str, int, str, str, str]) -> None:
    """Put requests into the inbox without `ask`."""
    with closing(sqlite3.connect(folder / "inbox.db")) as db, db:
        db.executemany(
            "INSERT INTO request (uuid, asked_utc_ms, kind, subject, by) VALUES (?, ?, ?, ?, ?)",
            rows,
        )


@pytest.mark.parametrize(
    "row",
    [
        ("a", 5, "acknowledge", "silent:T1\nalarm silent:T2: normal", "mk"),
        ("a", 5, "acknowledge", "silent:T1", "m\nk"),
        ("a", 5, "acknowledge", "silent:T1", ""),
        ("a", 5, "acknow\x1b[2Jledge", "silent:T1", "mk"),
        ("a\nb", 5, "acknowledge", "silent:T1", "mk"),
        ("a", 10**18, "acknowledge", "silent:T1", "mk"),
        ("a", -1, "acknowledge", "silent:T1", "mk"),
        ("a", 5, "acknowledge", "x" * 201, "mk"),
    ],
)
def test_what_ask_would_never_write_is_dropped_and_told_on_one_line(
    tmp_path: Path, row: tuple[str, int, str, str, str]
) -> None:
    inbox = Inbox(tmp_path)
    by_hand(tmp_path, row)
    asked = ask_for(tmp_path)
    assert inbox.waiting() == [asked]
    (news,) = inbox.news()
    assert news.startswith("1 of the requests in inbox.db held what `longsoak ack` never writes")
    assert news.isprintable()
    inbox.drop([asked])
    with closing(sqlite3.connect(tmp_path / "inbox.db")) as db:
        assert db.execute("SELECT count(*) FROM request").fetchone() == (0,)
    inbox.close()


def test_a_look_at_an_inbox_nobody_wrote_to_takes_less_than_100_microseconds(
    tmp_path: Path,
) -> None:
    inbox = Inbox(tmp_path)
    asked = ask_for(tmp_path)
    assert inbox.waiting() == [asked]
    # The fastest of many: what else the machine does is not the look's cost.
    assert min(timeit.repeat(inbox.waiting, number=100, repeat=20)) / 100 < 100e-6
    inbox.close()


def test_a_file_put_in_the_inboxs_place_is_the_inbox_from_then_on(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    other = Inbox(elsewhere)
    asked = ask_for(elsewhere)
    other.close()
    inbox = Inbox(tmp_path)
    assert inbox.waiting() == []
    (elsewhere / "inbox.db").replace(tmp_path / "inbox.db")
    assert inbox.waiting() == [asked]
    assert len(inbox.news()) == 1
    inbox.close()


def test_a_locked_inbox_is_told_once_and_taken_up_when_it_is_free(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path)
    asked = ask_for(tmp_path)
    assert inbox.waiting() == [asked]
    holder = sqlite3.connect(tmp_path / "inbox.db", isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    inbox.drop([asked])
    assert inbox.news() == ["inbox.db can't be used (database is locked); it is tried again"]
    holder.execute("ROLLBACK")
    assert looked_until(inbox, 1) == []
    assert inbox.news() == ["inbox.db can be used again"]
    assert holder.execute("SELECT count(*) FROM request").fetchone() == (0,)  # dropped after all
    holder.close()
    inbox.close()


def test_damaged_files_are_numbered_and_never_fill_the_disk(tmp_path: Path) -> None:
    for _ in range(12):
        garbage(tmp_path / "inbox.db")
        Inbox(tmp_path).close()
    kept = sorted(path.name for path in tmp_path.glob("inbox.db.damaged-?"))
    assert kept == [f"inbox.db.damaged-{number}" for number in range(1, 10)]


def test_a_folder_that_takes_no_file_stops_nobody(tmp_path: Path) -> None:
    nowhere = tmp_path / "record"
    inbox = Inbox(nowhere)
    assert inbox.waiting() == []
    inbox.drop([])
    assert inbox.news() == [
        "inbox.db can't be used (unable to open database file); it is tried again"
    ]
    nowhere.mkdir()
    assert looked_until(inbox, 1, looks=30) == []
    assert inbox.news() == ["inbox.db can be used again"]
    asked = ask_for(nowhere)
    assert inbox.waiting() == [asked]
    inbox.close()


def test_an_inbox_of_an_earlier_version_takes_requests_with_a_body(tmp_path: Path) -> None:
    """As version 0.2.0 made it, with a request waiting in it."""
    with closing(sqlite3.connect(tmp_path / "inbox.db", isolation_level=None)) as db:
        db.execute(
            "CREATE TABLE request (id INTEGER PRIMARY KEY, uuid TEXT NOT NULL"
            " UNIQUE, asked_utc_ms INTEGER NOT NULL, kind TEXT NOT NULL, subject TEXT NOT NULL,"
            " by TEXT NOT NULL) STRICT"
        )
        db.execute("INSERT INTO request VALUES (1, 'u', 5, 'acknowledge', 'dry:level', 'mk')")
    inbox = Inbox(tmp_path)
    later = ask(tmp_path, kind="k", subject="s", by="mk", utc_ms=6, body="more")
    assert inbox.waiting() == [Request("u", 5, ACKNOWLEDGE, "dry:level", "mk"), later]
    assert inbox.news() == []
    inbox.close()
