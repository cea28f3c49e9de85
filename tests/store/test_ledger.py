"""The ledger: entries are as documented, days are closed when they are over."""

import sqlite3
import struct
from collections.abc import Iterator, Mapping
from contextlib import closing
from datetime import date
from hashlib import sha256
from pathlib import Path

import pytest

from longsoak.service.dayclosing import LOOKS_EVERY, PATIENCE, SCANS_AN_ENTRY, DayClosing
from longsoak.store.files import RECORD
from longsoak.store.ledger import Ledger
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmChange, Hiding
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.happening import Event
from rigs import NEW, NORMAL, Keeper, small_rig

DAY = 86_400.0  # s
FIRST, SECOND = date(2026, 5, 4), date(2026, 5, 5)
VALUES: Mapping[str, float | None] = {"C 10/60": 17.5, "C 30/60": None}


@pytest.fixture
def keeper(tmp_path: Path) -> Iterator[Keeper]:
    with Keeper(tmp_path, small_rig()) as keeper:  # starts on 4 May at 9 h
        yield keeper


class Days:
    """A chore of its own for a record, done until there is nothing to do."""

    def __init__(self, keeper: Keeper) -> None:
        self._keeper = keeper
        self._chore = DayClosing(keeper.record.folder, keeper.writer)
        self.now = 0.0
        self.bites = 0

    def done(self) -> list[Event]:
        told: list[Event] = []
        rest = 0.0
        while rest == 0:
            rest, events = self._chore.do(now=self.now, utc_ms=self._keeper.now_ms)
            told += events
            self.bites += 1
        assert rest == LOOKS_EVERY
        return told


def sql(keeper: Keeper, statement: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(keeper.record.folder / RECORD, isolation_level=None)) as db:
        return db.execute(statement).fetchall()


def test_a_day_is_closed_when_the_newest_scan_is_of_another(keeper: Keeper) -> None:
    days, ledger = Days(keeper), Ledger(keeper.record.folder)
    keeper.scans([VALUES] * 3)
    assert days.done() == []
    assert ledger.last_head() is None
    assert ledger.head_of(FIRST) is None
    keeper.scan(VALUES, after=DAY)
    (event,) = days.done()
    (head,) = ledger.heads()
    assert ledger.last_head() == ledger.head_of(FIRST) == head
    assert (head.day, head.closed_utc_ms) == (FIRST, keeper.now_ms)
    assert event.says == f"2026-05-04 closed: {head.entries} entries, root {head.root}"
    assert days.done() == []


def test_the_scans_of_the_new_day_are_not_in_it(keeper: Keeper) -> None:
    days, ledger = Days(keeper), Ledger(keeper.record.folder)
    keeper.scans([VALUES] * 3)
    keeper.scans([VALUES] * 40, after=DAY / 39)
    days.done()
    entered = [e for e in ledger.entries_after(0, limit=99) if e.kind == "scans"]
    # 9 h on 4 May and 37 min for each scan: the 25th of the second batch is on 5 May
    in_first = 3 + int((15 * 3600 - 3) // (DAY / 39))
    assert [(e.first, e.last) for e in entered] == [(1, in_first)]


def test_missed_days_are_closed_by_one_root_with_the_name_of_the_last_that_has_scans(
    keeper: Keeper,
) -> None:
    keeper.scan(VALUES)
    keeper.scan(VALUES, after=3 * DAY)
    keeper.scan(VALUES, after=9 * DAY)
    days = Days(keeper)
    days.done()
    (head,) = Ledger(keeper.record.folder).heads()
    assert head.day == date(2026, 5, 7)


def test_many_scans_are_entered_before_the_day_is_over(keeper: Keeper) -> None:
    days, ledger = Days(keeper), Ledger(keeper.record.folder)
    keeper.scans([VALUES] * (SCANS_AN_ENTRY + 1), after=0.01)
    days.done()
    assert [(e.first, e.last) for e in ledger.entries_after(0, limit=9)] == [(1, SCANS_AN_ENTRY)]
    assert ledger.heads() == []
    keeper.scan(VALUES, after=DAY)
    days.done()
    scans = [e for e in ledger.entries_after(0, limit=99) if e.kind == "scans"]
    assert [(e.first, e.last) for e in scans] == [
        (1, SCANS_AN_ENTRY),
        (SCANS_AN_ENTRY + 1, SCANS_AN_ENTRY + 1),
    ]


def test_the_root_is_the_same_whenever_the_process_was_started_anew(
    tmp_path: Path, keeper: Keeper
) -> None:
    def kept(folder: Path, *, restarts: bool) -> list[str]:
        with Keeper(folder, small_rig()) as other:
            days = Days(other)
            for _ in range(4):
                other.scans([VALUES] * (SCANS_AN_ENTRY // 2 + 100), after=1)
                days = Days(other) if restarts else days
                days.done()
                other.now_ms += int(DAY * 1000)
            return [head.root for head in Ledger(folder).heads()]

    through = kept(tmp_path / "through", restarts=False)
    assert len(set(through)) == 3
    assert kept(tmp_path / "restarted", restarts=True) == through


def test_a_clock_that_nobody_vouches_for_closes_no_day_for_an_hour(keeper: Keeper) -> None:
    days, ledger = Days(keeper), Ledger(keeper.record.folder)
    keeper.scan(VALUES)
    keeper.scan(VALUES, after=DAY)
    sql(keeper, "UPDATE stretch SET known = 'unsure'")
    days.done()
    days.now += PATIENCE - 1
    days.done()
    assert ledger.heads() == []
    days.now += 1
    days.done()
    assert len(ledger.heads()) == 1


def test_a_day_goes_by_where_its_scans_were_placed(keeper: Keeper) -> None:
    days = Days(keeper)
    keeper.scan(VALUES)
    sql(keeper, "UPDATE stretch SET shift_ms = 20 * 86400000, known = 'placed'")
    keeper.scan(VALUES, after=DAY)
    days.done()
    (head,) = Ledger(keeper.record.folder).heads()
    assert head.day == date(2026, 5, 24)


def test_what_is_known_later_is_entered_with_the_next_day(keeper: Keeper) -> None:
    days, ledger = Days(keeper), Ledger(keeper.record.folder)
    keeper.scan(VALUES)
    keeper.scan(VALUES, after=DAY)
    days.done()
    sql(keeper, "UPDATE stretch SET shift_ms = 5, known = 'placed'")
    keeper.scan(VALUES, after=DAY)
    days.done()
    keeper.scan(VALUES, after=DAY)
    days.done()
    kinds = [e.kind for e in ledger.entries_after(0, limit=99)]
    assert kinds.count("stretch_time") == 2
    assert kinds.count("stretch") == 1
    assert kinds.count("day") == 3


def test_a_refused_commit_is_made_up_for(keeper: Keeper) -> None:
    days, ledger = Days(keeper), Ledger(keeper.record.folder)
    keeper.scan(VALUES)
    keeper.scan(VALUES, after=DAY)
    sql(
        keeper,
        "CREATE TRIGGER full BEFORE INSERT ON day_head BEGIN SELECT RAISE(ABORT, 'full'); END",
    )
    with pytest.raises(StoreError, match="full"):
        days.done()
    sql(keeper, "DROP TRIGGER full")
    days.done()
    (head,) = ledger.heads()
    numbers = [e.number for e in ledger.entries_after(0, limit=99)]
    assert numbers == list(range(1, head.entries + 1))


def by_hand(db: sqlite3.Connection) -> list[bytes]:
    """The entries of a small record, written again from their description alone."""

    def n(value: int) -> bytes:
        return b"i" + value.to_bytes(8, "big", signed=True)

    def t(value: str | None) -> bytes:
        if value is None:
            return b"n"
        data = value.encode()
        return b"t" + len(data).to_bytes(4, "big") + data

    def b(value: bytes) -> bytes:
        return b"b" + len(value).to_bytes(4, "big") + value

    def r(value: float | None) -> bytes:
        return b"n" if value is None else b"r" + struct.pack(">d", value)

    def row(statement: str) -> tuple[object, ...]:
        found: tuple[object, ...] = db.execute(statement).fetchone()
        return found

    digest = sha256()
    scans = db.execute("SELECT * FROM scan WHERE id <= 2 ORDER BY id").fetchall()
    for number, layout, utc_ms, boottime_ms, synchronised, readings in scans:
        digest.update(n(number) + n(layout) + n(utc_ms) + n(boottime_ms) + n(synchronised))
        digest.update(b(readings))
    version, accepted, text = db.execute(
        "SELECT id, accepted_utc_ms, text FROM rig_version"
    ).fetchone()
    layout = db.execute("SELECT id, rig_version, bus, probes, units FROM layout").fetchone()
    run = db.execute(
        "SELECT id, boot, software, started_utc_ms, started_boottime_ms FROM run"
    ).fetchone()
    stretch = db.execute("SELECT id, run, first_scan, offset_ms FROM stretch").fetchone()
    event = db.execute("SELECT id, utc_ms, kind, subject, says FROM event").fetchone()
    change = db.execute(
        "SELECT id, key, utc_ms, boottime_ms, old, new, value, says, by FROM alarm_change"
    ).fetchone()
    moment = db.execute("SELECT id, run, boottime_ms FROM event").fetchone()
    of_change = db.execute("SELECT id, run FROM alarm_change").fetchone()
    told = db.execute("SELECT id, hiding, until_utc_ms, seconds, news FROM alarm_change").fetchone()
    closed = db.execute("SELECT day, closed_utc_ms FROM day_head").fetchone()
    return [
        t("scans") + n(1) + n(2) + n(2) + b(digest.digest()),
        t("rig_version") + n(version) + n(accepted) + b(sha256(text.encode()).digest()),
        t("layout") + n(layout[0]) + n(layout[1]) + b"".join(map(t, layout[2:])),
        t("run") + n(run[0]) + t(run[1]) + t(run[2]) + n(run[3]) + n(run[4]),
        t("stretch") + b"".join(map(n, stretch)),
        t("event") + n(event[0]) + n(event[1]) + b"".join(map(t, event[2:])),
        t("alarm_change") + n(change[0]) + t(change[1]) + n(change[2]) + n(change[3])
        + t(change[4]) + t(change[5]) + r(change[6]) + t(change[7]) + t(change[8]),
        t("event_moment") + b"".join(map(n, moment)),
        t("alarm_change_moment") + b"".join(map(n, of_change)),
        t("alarm_change_told") + n(told[0]) + t(told[1]) + n(told[2]) + r(told[3]) + n(told[4]),
        t("stretch_time") + n(1) + n(0) + t("clock"),
        t("day") + t(closed[0]) + n(closed[1]),
    ]  # fmt: skip


def test_somebody_with_the_description_alone_comes_to_the_same_root(keeper: Keeper) -> None:
    keeper.scans([VALUES] * 2)
    shelved = AlarmChange(
        *("overfill: water level", keeper.now_ms, 7, NORMAL, NEW, 112.25, "112 mm", None),
        hiding=Hiding.SHELVED,
        until_utc_ms=keeper.now_ms + 60_000,
        seconds=60.0,
        news=False,
    )
    keeper.writer.commit(Batch(changes=[shelved]))
    keeper.writer.commit(Batch(events=[Event(keeper.now_ms, "bus", "meter", "offen: ü", 7)]))
    keeper.scan(VALUES, after=DAY)
    Days(keeper).done()
    with closing(sqlite3.connect(keeper.record.folder / RECORD)) as db:
        entries = by_hand(db)

    def root(leaves: list[bytes]) -> bytes:
        if len(leaves) == 1:
            return leaves[0]
        k = 1
        while 2 * k < len(leaves):
            k *= 2
        return sha256(b"\x01" + root(leaves[:k]) + root(leaves[k:])).digest()

    hashed = [sha256(b"\x00" + entry).digest() for entry in entries]
    ledger = Ledger(keeper.record.folder)
    assert [e.hash for e in ledger.entries_after(0, limit=99)] == hashed
    (head,) = ledger.heads()
    assert (head.root, head.entries) == (root(hashed).hex(), len(entries))
