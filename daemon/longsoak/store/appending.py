"""The rows of one commit that are no readings. Called inside the writer's transaction."""

import json
import sqlite3
from collections.abc import Iterable, Mapping

from longsoak.store.requests import Request
from longsoak.vocabulary.alarm import AlarmChange
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.proof import ProofEntry


def add_changes(db: sqlite3.Connection, changes: Iterable[AlarmChange], *, run: int | None) -> None:
    """Append changes of alarms; `run` is what they were seen in, None in another record."""
    db.executemany(
        "INSERT INTO alarm_change (key, utc_ms, boottime_ms, old, new, value, says, by, run,"
        " hiding, until_utc_ms, seconds, news) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                *(c.key, c.utc_ms, c.boottime_ms, c.old, c.new, c.value, c.says, c.by, run),
                *(c.hiding, c.until_utc_ms, c.seconds, c.news),
            )
            for c in changes
        ],
    )


def add_events(db: sqlite3.Connection, events: Iterable[Event], *, run: int | None) -> None:
    """Append events; `run` is what they happened in, None before it has begun."""
    db.executemany(
        "INSERT INTO event (utc_ms, kind, subject, says, run, boottime_ms)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        [(e.utc_ms, e.kind, e.subject, e.says, run, e.boottime_ms) for e in events],
    )


def add_requests(db: sqlite3.Connection, requests: Iterable[tuple[Request, int, str]]) -> None:
    """Append requests with when they were handled, UTC ms, and their outcome."""
    db.executemany(
        "INSERT INTO request (uuid, asked_utc_ms, kind, subject, by, body,"
        " handled_utc_ms, outcome) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (uuid) DO NOTHING",
        [
            (r.uuid, r.asked_utc_ms, r.kind, r.subject, r.by, r.body, utc_ms, outcome)
            for r, utc_ms, outcome in requests
        ],
    )


def add_proof(
    db: sqlite3.Connection,
    entries: Iterable[tuple[Request, ProofEntry]],
    *,
    rig_version: int | None,
) -> None:
    """Append steps of a proof."""
    db.executemany(
        "INSERT INTO proof_entry (request, rig_version, utc_ms, proof, step, subject, outcome,"
        " by, says, content) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (request) DO NOTHING",
        [
            (
                request.uuid,
                rig_version,
                e.utc_ms,
                e.proof,
                e.step,
                e.subject,
                e.outcome,
                e.by,
                e.says,
                json.dumps(e.content),
            )
            for request, e in entries
        ],
    )


def save_cursors(db: sqlite3.Connection, cursors: Mapping[str, tuple[int, int]]) -> None:
    """Save where cursors stand, each with when, UTC ms."""
    db.executemany(
        "INSERT INTO cursor (name, position, saved_utc_ms) VALUES (?, ?, ?)"
        " ON CONFLICT (name) DO UPDATE SET position = excluded.position,"
        " saved_utc_ms = excluded.saved_utc_ms",
        [(name, position, utc_ms) for name, (position, utc_ms) in cursors.items()],
    )
