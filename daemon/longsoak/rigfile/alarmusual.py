"""How soon somebody has to come for each kind of alarm, and what else is usual for it.

Nothing of this is from a standard: a rig that runs for months has one keeper who is not always
there. ISA-18.2 (second hand) asks that each alarm has a priority and a time to respond, that few
are of the highest, and that none is without an action.
"""

from collections.abc import Mapping
from typing import NamedTuple

from longsoak.vocabulary.alarm import Priority
from longsoak.vocabulary.alarmplan import Watch

MINUTE, HOUR, DAY = 60.0, 3600.0, 86_400.0

# After how long people are told again while nobody has answered, s. What is low is told once, and
# stands in the daily mail.
REPEAT: Mapping[Priority, float] = {
    Priority.HIGH: 15 * MINUTE,
    Priority.MEDIUM: 4 * HOUR,
    Priority.LOW: 0.0,
}


class Usual(NamedTuple):
    """What is usual for the alarms of a watch.

    `within` is how long one has, s. `latching` waits to be reset: what happened has to be looked
    into, be it over or not. `in_service` is quiet while somebody works at the rig and so causes it.
    """

    priority: Priority
    within: float
    latching: bool = False
    in_service: bool = False


_HIGH, _MEDIUM, _LOW = Priority.HIGH, Priority.MEDIUM, Priority.LOW

USUAL: Mapping[Watch, Usual] = {
    # A tap or a hose goes on: some millimetres are minutes.
    Watch.OVERFILL: Usual(_HIGH, 15 * MINUTE),
    Watch.NEAR: Usual(_HIGH, 10 * MINUTE),
    # Capillaries take hold at once; what is wetted in minutes dries in weeks.
    Watch.CONTACT: Usual(_HIGH, 5 * MINUTE, latching=True),
    Watch.LOW: Usual(_MEDIUM, DAY),
    Watch.DRY: Usual(_HIGH, 15 * MINUTE),
    Watch.LEVEL_UNKNOWN: Usual(_HIGH, HOUR),
    Watch.LEVEL_DOUBT: Usual(_MEDIUM, 4 * HOUR),
    Watch.DISAGREE: Usual(_MEDIUM, 4 * HOUR),
    Watch.PUMP_STOPPED: Usual(_MEDIUM, 4 * HOUR, in_service=True),
    Watch.PUMP_STILL: Usual(_MEDIUM, 4 * HOUR, in_service=True),
    Watch.LEAK: Usual(_HIGH, 2 * HOUR, latching=True, in_service=True),
    Watch.SALTS: Usual(_LOW, 7 * DAY),
    Watch.HOT: Usual(_MEDIUM, DAY),
    Watch.COLD: Usual(_MEDIUM, 6 * HOUR),
    Watch.HUMID: Usual(_MEDIUM, DAY),
    Watch.ABOVE: Usual(_MEDIUM, DAY),
    Watch.BELOW: Usual(_MEDIUM, DAY),
    Watch.SILENT: Usual(_MEDIUM, DAY, in_service=True),
    Watch.DRIFT: Usual(_LOW, 3 * DAY, latching=True),
    Watch.STUCK: Usual(_LOW, 3 * DAY),
    Watch.DRIFTING: Usual(_LOW, 7 * DAY),
    Watch.OPEN: Usual(_MEDIUM, DAY, in_service=True),
    Watch.SHORT: Usual(_MEDIUM, DAY, in_service=True),
    Watch.INSULATION: Usual(_MEDIUM, 3 * DAY),
    Watch.DOUBT: Usual(_LOW, 7 * DAY),
    Watch.BUS: Usual(_MEDIUM, 12 * HOUR, in_service=True),
    Watch.OUTLET: Usual(_MEDIUM, DAY),
    Watch.BEHIND: Usual(_LOW, 3 * DAY),
    Watch.RECORD: Usual(_HIGH, DAY),
    Watch.BACKUP: Usual(_LOW, 3 * DAY),
    Watch.LOST: Usual(_HIGH, HOUR),
    Watch.DAMAGED: Usual(_HIGH, DAY),
    Watch.DISK: Usual(_MEDIUM, 7 * DAY),
    Watch.LOG: Usual(_LOW, DAY),
    Watch.CLOCK: Usual(_LOW, 7 * DAY),
    Watch.RESTARTED: Usual(_MEDIUM, DAY),
    Watch.UNDERVOLTAGE: Usual(_MEDIUM, 3 * DAY),
    Watch.TRIAL: Usual(_MEDIUM, 2 * DAY),
}
