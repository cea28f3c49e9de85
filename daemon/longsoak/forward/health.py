"""How far each outlet is behind the record."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from longsoak.core.routes import routes_of
from longsoak.forward.times import TimedRecord
from longsoak.store.noticerecord import OUTLET, TAKEN, WELL, NoticeRecord, held_cursor
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import StoredChange
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.notices import TRIAL
from longsoak.vocabulary.rig import Rig

FORWARDERS = ("database", "readings")
# A forwarder's cursor is saved once a minute and stays a minute behind what it has sent, so what is
# younger than this may well be there.
CURSOR_LAG = 150.0  # s
_MOST = 1000  # changes of alarms counted


@dataclass(frozen=True, slots=True)
class Unsent:
    """What waits to be sent: how many scans, and when the oldest of them was taken, UTC ms."""

    scans: int
    oldest_utc_ms: int | None


@dataclass(frozen=True, slots=True)
class OutletHealth:
    """How an outlet is.

    `away` says what is wrong with it, None that nothing is. `unsent` counts scans for a forwarder
    and changes of alarms for a notice outlet; `oldest_utc_ms` is when the oldest of them was taken
    or came. `held_back` says whether scans wait for the computer's clock to be known.
    `away_utc_ms` is since when it is away; `taken_utc_ms` when a notice was taken last, None where
    none was, or for a forwarder. `quiet` is whether somebody's quiet hours hold something back.
    """

    outlet: str
    away: str | None
    unsent: int
    oldest_utc_ms: int | None
    held_back: bool = False
    away_utc_ms: int | None = None
    taken_utc_ms: int | None = None
    quiet: bool = False

    @property
    def forwards(self) -> bool:
        """Whether it copies scans; else it tells of alarms."""
        return self.outlet in FORWARDERS


def unsent(record: Record, position: int) -> Unsent:
    """What of `record` lies after `position`.

    Raises
    ------
    StoreError
        The record can't be read.
    """
    first = record.scans_after(position, limit=1)
    if not first:
        return Unsent(0, None)
    newest, _ = record.version()
    return Unsent(newest - position, first[0].utc_ms)


def outlets_of(
    rig: Rig, record: TimedRecord, alarms: Mapping[str, StoredChange]
) -> list[OutletHealth]:
    """How each outlet is that `rig` sets up, from what the record knows of it.

    Parameters
    ----------
    rig : Rig
        Says which outlets there are.
    record : TimedRecord
        Where their cursors are.
    alarms : mapping
        The last change of each alarm, by key.

    Raises
    ------
    StoreError
        The record can't be read.
    """
    notices = NoticeRecord(record.folder)
    subjects = {route.name: (route.server, route.refuser) for route in routes_of(rig)}
    if rig.mqtt is not None and rig.mqtt.readings is not None:
        # Readings have the connection of notices, and no alarm of their own while that is gone.
        subjects["readings"] = ("readings", "mqtt")
    if rig.database is not None:
        subjects["database"] = ("database", "database")
    plans = {plan.subject: plan.key for plan in rig.alarms if plan.watch is Watch.OUTLET}
    found: list[OutletHealth] = []
    for name, own in subjects.items():
        away, since = _away([alarms.get(plans.get(s, "")) for s in own], notices, name)
        position = record.cursor(name)
        if name in FORWARDERS:
            waits = unsent(Record(record.folder), position)
            held = any(doubt.waits for doubt in record.doubts())
            found.append(OutletHealth(name, away, waits.scans, waits.oldest_utc_ms, held, since))
        else:
            changes = record.alarm_changes_after(position, limit=_MOST)
            oldest = changes[0].utc_ms if changes else None
            last = notices.last((TAKEN, TRIAL), name)
            taken = None if last is None else last.utc_ms
            found.append(
                OutletHealth(
                    name,
                    away,
                    len(changes),
                    oldest,
                    away_utc_ms=since,
                    taken_utc_ms=taken,
                    quiet=record.cursor(held_cursor(name)) > 0,
                )
            )
    return found


def _away(
    alarms: Sequence[StoredChange | None], notices: NoticeRecord, name: str
) -> tuple[str | None, int | None]:
    """What is wrong with an outlet, and since when: its alarms, and before these its events."""
    event = notices.last((OUTLET,), name)
    failing = event is not None and event.says != WELL
    for change in alarms:
        if change is not None and change.new.standing:
            began = event.utc_ms if event is not None and failing else change.utc_ms
            return change.says, min(began, change.utc_ms)
    return (event.says, event.utc_ms) if event is not None and failing else (None, None)
