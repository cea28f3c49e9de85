"""Migrations keep what is there."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing

import pytest

from longsoak.store.migrations import ALL, m0001_record, migrate
from longsoak.vocabulary.errors import StoreError

NOW = "2031-02-03T04:05:06Z"


@pytest.fixture
def db() -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        yield connection


def m9999_later(db: sqlite3.Connection) -> None:
    db.execute("CREATE TABLE later (x)")


def test_a_failing_migration_leaves_no_trace_and_can_be_run_again(db: sqlite3.Connection) -> None:
    def m9999_breaks(db: sqlite3.Connection) -> None:
        db.execute("CREATE TABLE half (x)")
        raise RuntimeError("power cut")

    for _ in range(2):
        with pytest.raises(RuntimeError, match="power cut"):
            migrate(db, now=NOW, migrations=(m0001_record, m9999_breaks))
        tables = {n for (n,) in db.execute("SELECT name FROM sqlite_schema WHERE type='table'")}
        assert "scan" in tables
        assert "half" not in tables
        assert db.execute("SELECT name FROM migration").fetchall() == [("m0001_record",)]


def test_a_record_from_a_newer_version_is_left_alone(db: sqlite3.Connection) -> None:
    migrate(db, now=NOW, migrations=(m0001_record, m9999_later))
    with pytest.raises(StoreError, match="m9999_later, which this version does not know"):
        migrate(db, now=NOW)


def test_migrating_twice_changes_nothing(db: sqlite3.Connection) -> None:
    migrate(db, now=NOW)
    before = db.execute("SELECT * FROM sqlite_schema").fetchall()
    migrate(db, now="2032-01-01T00:00:00Z")
    assert db.execute("SELECT * FROM sqlite_schema").fetchall() == before
    assert db.execute("SELECT applied_at FROM migration").fetchall() == [(NOW,)] * len(ALL)
