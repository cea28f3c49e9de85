"""Whether anything can have come due since a chore last looked and found nothing."""

import sqlite3
from collections.abc import Callable
from contextlib import suppress
from typing import NamedTuple


class _Calm(NamedTuple):
    """What held when it was looked last."""

    connection: sqlite3.Connection  # another one may read another record
    before: int
    width_ms: int
    interval: int
    places: list[tuple[int, int, str]]


class Lull:
    """A time in which the record grows, and yet nothing can be due.

    Chores look every few seconds, and most looks find nothing. Two rows tell whether another look
    can find more; all of it lies in the record, so nothing has to be told to it.

    Parameters
    ----------
    record : callable
        The connection that writes the record, in whose thread this is called.
    """

    def __init__(self, record: Callable[[], sqlite3.Connection]) -> None:
        self._record = record
        self._calm: _Calm | None = None

    def begin(self, *, before: int, width_ms: int) -> None:
        """Nothing is due before there is a scan `before`, or one of another interval.

        Parameters
        ----------
        before : int
            The id of a scan to come.
        width_ms : int
            Length of the intervals, counted from 1970 UTC, ms; the newest scan lies in this one.
        """
        db = self._record()
        self._calm = None
        with suppress(sqlite3.Error):
            places = _places(db)
            if (found := _newest(db, width_ms, places)) is not None:
                self._calm = _Calm(db, before, width_ms, found[1], places)

    def end(self) -> None:
        """Something may be due: the next look has to be a real one."""
        self._calm = None

    def lasts(self) -> bool:
        """Whether nothing can be due: too few scans have come, all of this interval.

        Nor has a clock that was set or synchronised moved any scan to another time. False where
        the record can't be read: a real look says why.
        """
        calm, db = self._calm, self._record()
        if calm is None or calm.connection is not db:
            return False
        try:
            places = _places(db)
            found = _newest(db, calm.width_ms, places)
        except sqlite3.Error:
            return False
        return (
            found is not None
            and found[0] < calm.before
            and found[1] == calm.interval
            and places == calm.places
        )


def _places(db: sqlite3.Connection) -> list[tuple[int, int, str]]:
    """Where each stretch lies, and how that is known."""
    return db.execute("SELECT id, shift_ms, known FROM stretch ORDER BY id").fetchall()


def _newest(
    db: sqlite3.Connection, width_ms: int, places: list[tuple[int, int, str]]
) -> tuple[int, int] | None:
    """The newest scan that is a row, and its interval; None if there is none."""
    row = db.execute("SELECT id, utc_ms FROM scan ORDER BY id DESC LIMIT 1").fetchone()
    if row is None or not places:
        return None
    return row[0], (row[1] + places[-1][1]) // width_ms
