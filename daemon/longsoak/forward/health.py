"""How far each outlet is behind the record."""

from collections.abc import Mapping
from dataclasses import dataclass

from longsoak.forward.times import TimedRecord
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import StoredChange
from longsoak.vocabulary.rig import Rig, Watch

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
    """

    outlet: str
    away: str | None
    unsent: int
    oldest_utc_ms: int | None
    held_back: bool = False

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
    plans = {plan.subject: plan.key for plan in rig.alarms if plan.watch is Watch.OUTLET}
    settings = {
        "mail": rig.mail,
        "mqtt": rig.mqtt,
        "readings": rig.mqtt and rig.mqtt.readings,
        "database": rig.database,
    }
    found: list[OutletHealth] = []
    away: str | None = None
    for name in (name for name, wanted in settings.items() if wanted is not None):
        change = alarms.get(plans.get(name, ""))
        standing = change.says if change is not None and change.new.standing else None
        # Readings have the connection of notices, and no alarm of their own while that is gone.
        away = standing or (away if name == "readings" else None)
        position = record.cursor(name)
        if name in FORWARDERS:
            waits = unsent(Record(record.folder), position)
            held = any(doubt.waits for doubt in record.doubts())
            found.append(OutletHealth(name, away, waits.scans, waits.oldest_utc_ms, held))
        else:
            changes = record.alarm_changes_after(position, limit=_MOST)
            oldest = changes[0].utc_ms if changes else None
            found.append(OutletHealth(name, away, len(changes), oldest))
    return found
