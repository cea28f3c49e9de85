"""The chore that folds the write-ahead log into the record, and tells when it can't."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from longsoak.core.wording import age_words
from longsoak.store.files import RECORD
from longsoak.store.writer import HELD_OPEN, RecordWriter
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.happening import Event

EVERY = 6 * 3600.0  # s; SQLite itself folds in what it can with every thousandth page
LARGE = 16_000_000  # bytes: four times where SQLite itself begins, so somebody holds it open
MUCH = 64_000_000  # bytes of a log that grows
LOOK = 60.0  # s between two looks at its size
RETRY = 600.0  # s
TOLD_AFTER = 1800.0  # s: a backup may read for as long


class Folding:
    """Folds the log in every few hours and whenever it has grown large. See `Chore`.

    A log that nobody folds in slows every reader and fills the disk; SQLite's own folding tells
    nobody when it fails.

    Parameters
    ----------
    writer : RecordWriter
        The record, open for writing.
    large, much : int
        Bytes of the log from which on it is folded in at once, and from which on it is an alarm.
    """

    name = "fold in"

    def __init__(self, writer: RecordWriter, *, large: int = LARGE, much: int = MUCH) -> None:
        self._writer = writer
        self._large = large
        self._much = much
        self._due: float | None = None
        self._retry = 0.0
        self._failing_since: float | None = None
        self._told = False
        self._wrong: str | None = None

    def standing(self) -> Mapping[Watch, str | None]:
        """What is wrong with the log, by the alarm that watches it."""
        return {Watch.LOG: self._wrong}

    def do(self, *, now: float, utc_ms: int) -> tuple[float, Sequence[Event]]:
        """Fold in if it is time to."""
        if self._due is None:
            self._due = now + EVERY
        size = log_bytes(self._writer.folder)
        if now < self._retry or (now < self._due and size < self._large):
            return LOOK, ()
        fault = self._writer.fold_in()
        if fault is None:
            told, self._told = self._told, False
            self._failing_since = self._wrong = None
            self._due = now + EVERY
            again = [Event(utc_ms, "log", "record", "the write-ahead log was folded in again")]
            return LOOK, again if told else ()
        self._retry = now + RETRY
        if self._failing_since is None:
            self._failing_since = now
        held = now - self._failing_since
        mega = size / 1e6
        self._wrong = f"{fault}; it has {mega:.0f} MB" if size >= self._much else None
        waits = fault == HELD_OPEN and held < TOLD_AFTER and size < self._much
        if self._told or waits:
            return LOOK, ()
        self._told = True
        since = f", for {age_words(held)} now" if held else ""
        says = f"{fault}{since}; it has {mega:.1f} MB"
        return LOOK, [Event(utc_ms, "log", "record", says)]


def log_bytes(folder: Path) -> int:
    """How large the record's write-ahead log is."""
    try:
        return (folder / f"{RECORD}-wal").stat().st_size
    except OSError:
        return 0
