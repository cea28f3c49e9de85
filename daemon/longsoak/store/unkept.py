"""Alarm changes on their way out while the disk refuses to keep them."""

import threading
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path

from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import AlarmChange, StoredChange
from longsoak.vocabulary.errors import StoreError


class Unkept:
    """Changes that wait for a commit, with the ids they will have. Safe from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._changes: tuple[StoredChange, ...] = ()

    def put(self, changes: Iterable[AlarmChange], *, after: int) -> None:
        """Offer all changes that wait; `after` is the id of the last that was kept."""
        numbered = tuple(
            StoredChange(**asdict(change), id=number)
            for number, change in enumerate(changes, after + 1)
        )
        with self._lock:
            self._changes = numbered

    def clear(self) -> None:
        """Offer none any more: they have been kept, under those ids."""
        with self._lock:
            self._changes = ()

    def after(self, position: int) -> list[StoredChange]:
        """Those with an id above `position`, oldest first."""
        with self._lock:
            return [change for change in self._changes if change.id > position]


class AlarmsOnTheirWay(Record):
    """The record as notices see it: an alarm goes out though a full disk does not take it."""

    def __init__(self, folder: Path, unkept: Unkept) -> None:
        super().__init__(folder)
        self._unkept = unkept

    def alarm_changes_after(self, position: int, *, limit: int) -> list[StoredChange]:
        """Alarm changes with an id above `position`, kept ones first, oldest first."""
        try:
            kept = super().alarm_changes_after(position, limit=limit)
        except StoreError:
            if not (waiting := self._unkept.after(position)):
                raise
            return waiting[:limit]  # a card that has died can't be read either
        waiting = self._unkept.after(kept[-1].id if kept else position)
        return [*kept, *self.of_this_run(waiting[: limit - len(kept)])]
