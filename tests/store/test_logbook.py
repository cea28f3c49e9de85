"""Entries of the logbook are kept as they came, in order, and stay."""

import hashlib
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from longsoak.core.logbook import LONGEST_TEXT
from longsoak.core.logbookwords import entry_document, later_words, speaks_of_ms
from longsoak.core.wording import rfc3339
from longsoak.report.tables import logbook_rows
from longsoak.store.inbox import Inbox
from longsoak.store.logbook import Logbook, canonical
from longsoak.store.logbookrequests import ENTRY, ask_to_write, written_in
from longsoak.store.requests import Request
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import About, LogbookEntry, Subject
from rigs import Keeper, small_rig

START_MS = 1_777_885_200_000  # 2026-05-04T09:00:00Z
NOTE = LogbookEntry(
    asked_utc_ms=START_MS + 60_000,
    at_utc_ms=START_MS,
    by="M. Kühn-Özil",
    says="Left edge drips.\n\nTowel laid under it; wiped twice, 3 °C.",
    number=1,
    request="u1",
    kept_utc_ms=START_MS + 61_000,
    kept_boottime_ms=5_000,
    synchronised=True,
    run=1,
    rig_version=1,
)
LIMIT = replace(
    NOTE,
    number=2,
    request="u2",
    kind="limit",
    subject=Subject(About.PROBE, "C 30/60"),
    says="declared before the water goes on",
    photos=("a" * 64, "b" * 64),
    schema=3,
    content={"unit": "%", "at_most": 20.0, "for_days": 28, "bays": ["lime", "panel"]},
)
CORRECTION = replace(NOTE, number=3, request="u3", says="It was the right edge.", corrects=1)


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[RecordWriter]:
    record = RecordWriter(tmp_path, now="2026-05-04T09:00:00Z")
    record.accept_rig("a rig", utc_ms=START_MS)
    record.begin_run(boot="b", software="0", utc_ms=START_MS, boottime_ms=1_000, synchronised=True)
    yield record
    record.close()


def test_entries_of_any_kind_come_out_as_they_went_in_and_newest_first(
    tmp_path: Path, writer: RecordWriter
) -> None:
    writer.commit(Batch(logbook=[NOTE, LIMIT]))
    writer.commit(Batch(logbook=[CORRECTION]))
    corrected = replace(NOTE, corrected_by=(3,))
    logbook = Logbook(tmp_path)
    assert logbook.entries() == [CORRECTION, LIMIT, corrected]
    assert logbook.entries(kind="limit") == [LIMIT]
    assert logbook.entries(limit=1) == [CORRECTION]
    assert logbook.entries(upto=2, limit=1) == [LIMIT]
    assert logbook.entries(since_ms=START_MS) == [CORRECTION, LIMIT, corrected]
    assert logbook.entries(since_ms=START_MS + 1) == []
    assert logbook.entry(1) == corrected
    assert [logbook.entry(number) for number in (0, 4)] == [None, None]
    assert logbook.last() == 3


def test_a_request_that_survived_a_crash_makes_no_second_entry(
    tmp_path: Path, writer: RecordWriter
) -> None:
    writer.commit(Batch(logbook=[NOTE]))
    writer.commit(Batch(logbook=[replace(NOTE, number=2, says="again")]))
    assert Logbook(tmp_path).entries() == [NOTE]


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("UPDATE logbook SET says = 'all dry'", "is never changed"),
        ("UPDATE logbook SET corrects = 2 WHERE id = 1", "is never changed"),
        ("DELETE FROM logbook WHERE id = 1", "is never deleted"),
    ],
)
def test_the_record_itself_refuses_to_change_an_entry(
    tmp_path: Path, writer: RecordWriter, statement: str, says: str
) -> None:
    writer.commit(Batch(logbook=[NOTE, LIMIT]))
    with (
        closing(sqlite3.connect(tmp_path / "record.db")) as db,
        pytest.raises(sqlite3.IntegrityError, match=says),
    ):
        db.execute(statement)
    assert Logbook(tmp_path).entries() == [LIMIT, NOTE]


def test_the_same_content_has_the_same_digest_in_whatever_order_it_was_said(
    tmp_path: Path, writer: RecordWriter
) -> None:
    turned = dict(sorted(LIMIT.content.items(), reverse=True))
    assert canonical(turned) == canonical(LIMIT.content)
    writer.commit(Batch(logbook=[replace(LIMIT, number=1, content=turned)]))
    with closing(sqlite3.connect(tmp_path / "record.db")) as db:
        (text,) = db.execute("SELECT content FROM logbook").fetchone()
    # The text spelled out, so that a change of its form would show.
    spelled = '{"at_most":20.0,"bays":["lime","panel"],"for_days":28,"unit":"%"}'
    assert text == spelled
    assert hashlib.sha256(text.encode()).digest() == hashlib.sha256(spelled.encode()).digest()


def test_a_record_of_an_earlier_version_has_an_empty_logbook(tmp_path: Path) -> None:
    kept = Path(__file__).parent / "kept" / "0.3.0" / "record.db"
    (tmp_path / "record.db").write_bytes(kept.read_bytes())
    logbook = Logbook(tmp_path)
    assert logbook.entries() == []
    assert logbook.last() == 0
    assert logbook.record_began_ms() is not None


ASKED = replace(
    LIMIT,
    number=0,
    request="",
    kind="note",
    schema=1,
    content={},
    corrects=7,
    kept_utc_ms=0,
    kept_boottime_ms=0,
    synchronised=False,
    run=0,
    rig_version=0,
)


@pytest.mark.parametrize(
    "says",
    [
        "Left edge drips.\n\n\u00a0 Towel \u2013 3 °C, \u0643\u062a\u0627\u0628, \u2764\ufe0f",
        "\U0001f4a7" * LONGEST_TEXT,
        "\n".join("x" * (LONGEST_TEXT // 2)),
    ],
)
def test_an_entry_travels_through_the_inbox_unchanged(tmp_path: Path, says: str) -> None:
    inbox = Inbox(tmp_path)
    entry = replace(ASKED, says=says)
    asked = ask_to_write(tmp_path, entry)
    assert asked.body.isprintable()
    (request,) = inbox.waiting()
    assert inbox.news() == []
    assert (request.kind, request.subject) == (ENTRY, "C 30/60")
    assert written_in(request) == replace(entry, request=asked.uuid)
    inbox.close()


def test_what_can_not_stand_in_a_logbook_is_not_asked(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path)
    for entry, says in (
        (replace(ASKED, says="bell \x07"), "U\\+0007"),
        (replace(ASKED, by=""), "Say who you are"),
        (replace(ASKED, at_utc_ms=ASKED.asked_utc_ms + 3_600_000), "is yet to come"),
    ):
        with pytest.raises(RequestError, match=says):
            ask_to_write(tmp_path, entry)
    assert inbox.waiting() == []
    inbox.close()


@pytest.mark.parametrize(
    "changes",
    [
        {"at": "now"},
        {"at": True},
        {"at": -1},
        {"at": 10**30},
        {"kind": 7},
        {"says": None},
        {"about": "wall"},
        {"corrects": "3"},
        {"corrects": -3},
        {"corrects": 10**4000},
        {"photos": "aa"},
        {"photos": [7]},
        {"schema": None},
        {"schema": 2},
        {"content": []},
        {"content": {"litres": 3}},
        {"says": "half \ud83d"},
    ],
)
def test_a_body_somebody_made_up_is_refused(changes: dict[str, object]) -> None:
    body: dict[str, object] = {
        "at": START_MS,
        "kind": "note",
        "about": "rig",
        "says": "dry",
        "corrects": None,
        "photos": [],
        "schema": 1,
        "content": {},
    }
    request = Request("u", START_MS, ENTRY, "rig", "mk", json.dumps(body))
    assert written_in(request).says == "dry"
    with pytest.raises(RequestError, match="Nothing was kept"):
        written_in(replace(request, body=json.dumps(body | changes)))


def test_what_was_written_by_a_clock_that_was_never_set_stands_at_its_day_once_it_is_known(
    tmp_path: Path,
) -> None:
    rig, hour_ms, later_ms = small_rig(), 3_600_000, START_MS + 90 * 86_400_000
    with Keeper(tmp_path, rig, start_ms=0, known=False) as keeper:
        keeper.scan({"T core": 18.0}, after=60)

        def noted(number: int, at_ms: int, *, given_ms: int | None = None) -> LogbookEntry:
            return replace(
                NOTE,
                number=number,
                request=f"early {number}",
                asked_utc_ms=at_ms,
                at_utc_ms=at_ms if given_ms is None else given_ms,
                kept_utc_ms=at_ms + 500,
                kept_boottime_ms=at_ms + 500,
                synchronised=False,
            )

        early = [noted(1, hour_ms), noted(2, 2 * hour_ms, given_ms=START_MS)]
        waited = replace(noted(3, 0), kept_utc_ms=3 * hour_ms, kept_boottime_ms=3 * hour_ms)
        keeper.writer.commit(Batch(logbook=[*early, waited]))
        logbook = Logbook(tmp_path)
        assert [entry.clock_off_ms for entry in logbook.entries()] == [0, 0, 0]
        keeper.set_clock(later_ms)
        keeper.scan({"T core": 18.0}, after=4 * 3600)
        third, second, first = logbook.entries()
        # Kept as it was written; where it belongs is told beside it.
        assert replace(first, clock_off_ms=0, run=0) == replace(early[0], run=0)
        assert (first.clock_off_ms, third.clock_off_ms) == (later_ms, 0)
        assert speaks_of_ms(first) == later_ms + hour_ms
        assert speaks_of_ms(second) == START_MS  # somebody gave it
        assert later_words(first) == "1 Jan 1970, 01:00:00 UTC by a clock that was not synchronised"
        assert [entry.number for entry in logbook.entries(since_ms=START_MS)] == [2, 1]
        assert [entry.number for entry in logbook.entries(since_ms=later_ms, limit=1)] == [1]
        assert entry_document(first)["at"] == rfc3339(later_ms + hour_ms)
        assert [row[1] for row in logbook_rows(logbook)] == [later_ms + hour_ms, START_MS, 0]
