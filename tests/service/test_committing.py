"""Commits that fail for what is in the file, for a moment or for good; going over to another."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from disks import fill, small_disk
from longsoak.service.committing import RETRY, Committing
from longsoak.store.aside import SetAside
from longsoak.store.files import RECORD
from longsoak.store.reader import Record
from longsoak.store.requests import Request
from longsoak.store.unkept import AlarmsOnTheirWay, Unkept
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.proof import Outcome, ProofEntry, Step
from service.test_waiting import T0, HandClock, opened, scan

STEP = ProofEntry(0, 5, "2031-02-03T04:05:06Z", Step.READS, "C 1", Outcome.GOOD, "mk", "10", {})
ALARM = AlarmChange("a", T0, 0, AlarmState.NORMAL, AlarmState.NEW, None, "says", None)


class Bench:
    """A record whose table of proofs is overwritten, and what commits to it."""

    def __init__(self, folder: Path) -> None:
        opened(folder).close()
        self.folder = folder
        self.whole = (folder / RECORD).read_bytes()
        with closing(sqlite3.connect(folder / RECORD)) as db:
            (self.size,) = db.execute("PRAGMA page_size").fetchone()
            (self.page,) = db.execute(
                "SELECT rootpage FROM sqlite_schema WHERE name = 'proof_entry'"
            ).fetchone()
        self.overwrite(b"\xa5" * self.size)
        self.clock = HandClock()
        self.writer: RecordWriter = opened(folder)
        self.unkept = Unkept()
        self.suspected = 0
        self.asides: list[SetAside] = []
        self.commits = Committing(
            self.writer,
            clock=self.clock,
            watched=(),
            unkept=self.unkept,
            committed=lambda: None,
            suspect=self._suspect,
            aside=self.asides.append,
        )

    def _suspect(self) -> None:
        self.suspected += 1

    def refusal(self) -> str:
        return self.commits.refusal or ""

    def overwrite(self, content: bytes) -> None:
        with (self.folder / RECORD).open("r+b") as file:
            file.seek((self.page - 1) * self.size)
            file.write(content)

    def mend(self) -> None:
        start = (self.page - 1) * self.size
        self.overwrite(self.whole[start : start + self.size])

    def step(self) -> Batch:
        """A scan, an alarm and a step of a proof, which is what the record can't take."""
        request = Request("u", 5, "proof", "C 1", "mk")
        return Batch(scans=[scan(0)], changes=[ALARM], proof=[(request, STEP)])


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path)
    yield bench
    bench.writer.close()


def test_what_was_damaged_for_a_moment_only_is_kept_where_it_belongs(bench: Bench) -> None:
    bench.clock.at = 100.0
    assert not bench.commits.commit(bench.step())
    assert "malformed" in bench.refusal()
    assert bench.suspected == 1
    bench.mend()
    bench.clock.at += RETRY
    assert bench.commits.commit(Batch())
    assert bench.refusal() == ""
    assert bench.asides == []
    record = Record(bench.folder)
    assert record.version() == (1, 1)
    assert len(record.proof_entries()) == 1


def test_alarms_go_out_while_nobody_knows_yet_whether_the_record_is_damaged(bench: Bench) -> None:
    bench.commits.commit(bench.step())
    seen = AlarmsOnTheirWay(bench.folder, bench.unkept)
    assert [change.key for change in seen.alarm_changes_after(0, limit=9)] == ["a"]
    (bench.folder / RECORD).rename(bench.folder / "elsewhere")  # nor can it be read
    assert [change.key for change in seen.alarm_changes_after(0, limit=9)] == ["a"]
    (bench.folder / "elsewhere").rename(bench.folder / RECORD)


def test_what_a_damaged_record_refused_is_the_first_in_the_new_one(bench: Bench) -> None:
    bench.clock.at = 100.0
    bench.commits.commit(Batch(scans=[scan(1)]))
    batch = bench.step()
    batch.cursors["database"] = (1, 5)
    assert not bench.commits.commit(batch)
    assert bench.commits.go_over("page 12 is not as it was")
    (aside,) = bench.asides
    assert aside.cause == "page 12 is not as it was"
    record = Record(bench.folder)
    assert [one.utc_ms for one in record.scans_after(0, limit=9)] == [T0]
    assert record.proof_entries()[0].says == "10"
    assert record.alarms()["a"].says == "says"
    assert not record.has_cursor("database")  # it counted the scans of the record before
    with closing(sqlite3.connect(aside.file)) as db:
        assert db.execute("SELECT utc_ms FROM scan").fetchall() == [(T0 + 10_000,)]


def test_a_full_disk_takes_the_new_record_later_and_nothing_is_lost_meanwhile(
    tmp_path: Path,
) -> None:
    with small_disk(tmp_path / "card", megabytes=2) as disk:
        bench = Bench(disk / "record")
        bench.clock.at = 100.0
        bench.commits.commit(bench.step())
        ballast = fill(disk)
        assert not bench.commits.go_over("bad")
        assert "the record is damaged (bad), and " in bench.refusal()
        for n in range(1, 4):
            bench.clock.at += RETRY
            assert not bench.commits.commit(Batch(scans=[scan(n)]))
        assert bench.asides == []
        ballast.unlink()
        while bench.commits:
            bench.clock.at += RETRY
            bench.commits.commit(Batch())
        assert [aside.cause for aside in bench.asides] == ["bad"]
        assert len(Record(bench.folder).scans_after(0, limit=9)) == 4
        assert len(list(bench.folder.glob("*damaged*[0-9]"))) == 1
        bench.writer.close()
