"""How many alarms stand, as the title block of every sheet says it."""

from collections.abc import Mapping
from dataclasses import dataclass

from longsoak.vocabulary.alarm import AlarmState, StoredChange
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.view.alarms import title_of


@dataclass(frozen=True, slots=True)
class AlarmCount:
    """A few words, empty where nothing wants to be read, and the pennant that stands beside them.

    `newest` is the number of the newest change with which one came that nobody has acknowledged,
    0 without any, and `title` what that alarm is called: an open page tells of a new one by them.
    """

    words: str
    shape: str
    red: bool
    newest: int
    title: str


NO_ALARMS = AlarmCount("", "none", red=False, newest=0, title="")


def alarm_count(alarms: Mapping[str, StoredChange], rig: Rig) -> AlarmCount:
    """Count those that stand; without any, those that are over and unread."""
    shown = [change for change in alarms.values() if change.hiding is None]
    stand = [change for change in shown if change.new.standing]
    new = [change for change in stand if change.new is AlarmState.NEW]
    over = [c for c in shown if c.new in (AlarmState.GONE, AlarmState.HELD)]
    if stand:
        newest = max(new, key=lambda change: change.id, default=None)
        return AlarmCount(
            f"{len(stand)} stand{'s' if len(stand) == 1 else ''}",
            "new" if new else "seen",
            red=bool(new),
            newest=0 if newest is None else newest.id,
            title="" if newest is None else title_of(rig, newest.key),
        )
    if over:
        return AlarmCount(f"{len(over)} over", "gone", red=True, newest=0, title="")
    return NO_ALARMS
