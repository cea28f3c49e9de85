"""What the record says of notices: what came of them, what is held back, how the trial stands."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from longsoak.store.reader import Record
from longsoak.store.recordfile import identity
from longsoak.vocabulary.alarm import AlarmState, StoredChange
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.notices import TRIAL

# Kinds of events by route: what was taken, what was held back until quiet hours were over, what was
# refused for good, and that its other end is away or, in these words, there again.
TAKEN, HELD_BACK, REFUSED, OUTLET = "notice", "held back", "refused", "outlet"
WELL = "takes what is sent"
# Subjects of events about the trial, besides the routes that took it.
SENT, ANSWERED = "sent", "answered"
_MOST = 500  # events about trials looked at: some years of them


def held_cursor(route: str) -> str:
    """Where it is kept from which change on a route holds back; 0 if it holds back nothing."""
    return f"{route}, held back"


@dataclass(frozen=True, slots=True)
class Trial:
    """How the weekly trial stands.

    `number` tells it from others, `sent_ms` is when it went out, `waiting_ms` when the first one
    did that nobody has answered since; None if the last is answered. `taken` is when each route
    took it; `answered` is who answered last and when, in words and UTC ms.
    """

    number: int
    sent_ms: int
    waiting_ms: int | None
    taken: Mapping[str, int]
    answered: tuple[str, int] | None


class NoticeRecord(Record):
    """The record of what was told, in `folder`."""

    def identity(self) -> str:
        """What tells this record from others."""
        with self._open() as db:
            return identity(db)

    def happened(self, kinds: Sequence[str], *, since_ms: int, limit: int) -> list[Event]:
        """The latest events of some kinds from `since_ms` on, oldest first."""
        found = [event for event in self._events(kinds, limit=limit) if event.utc_ms >= since_ms]
        return found[::-1]

    def last(self, kinds: Sequence[str], subject: str) -> Event | None:
        """The latest event of some kinds about `subject`."""
        return next(iter(self._events(kinds, subject=subject, limit=1)), None)

    def trial(self) -> Trial | None:
        """How the last trial stands; None if none ever went out."""
        number, sent, waiting, answered = self.cursor(TRIAL), None, None, None
        taken: dict[str, int] = {}
        for event in self._events((TRIAL,), limit=_MOST):
            if event.subject == ANSWERED:
                answered = event.says, event.utc_ms
                if sent is not None:
                    break
            elif event.subject == SENT:
                sent = event.utc_ms if sent is None else sent
                if answered is not None:
                    break
                waiting = event.utc_ms
            elif sent is None:
                taken.setdefault(event.subject, event.utc_ms)
        return None if sent is None else Trial(number, sent, waiting, taken, answered)

    def came(self, change: StoredChange) -> StoredChange | None:
        """The change by which an alarm came that `change` is of; None if that is not known."""
        standing = ", ".join(f"'{state}'" for state in AlarmState if state.standing)
        where = f"key = ? AND id <= ? AND new IN ({standing}) AND old NOT IN ({standing})"
        found = self._changes(f"{where} ORDER BY id DESC LIMIT 1", change.key, change.id)
        return found[0] if found else None

    def _events(
        self, kinds: Sequence[str], *, subject: str | None = None, limit: int
    ) -> list[Event]:
        marks = ", ".join("?" * len(kinds))
        where = f"kind IN ({marks})" + ("" if subject is None else " AND subject = ?")
        values = [*kinds, *([] if subject is None else [subject]), limit]
        with self._moments() as (db, moments):
            return [
                Event(moments.of(run, utc_ms, at).utc_ms, kind, about, says, at)
                for run, utc_ms, at, kind, about, says in db.execute(
                    "SELECT run, utc_ms, boottime_ms, kind, subject, says FROM event"  # noqa: S608 - only marks go into it
                    f" WHERE {where} ORDER BY id DESC LIMIT ?",
                    values,
                ).fetchall()
            ]
