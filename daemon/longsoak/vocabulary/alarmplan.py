"""What an alarm watches, and what it tells whoever comes."""

from dataclasses import dataclass
from enum import StrEnum

from longsoak.vocabulary.alarm import Priority


class Watch(StrEnum):
    """What an alarm watches; the values are the words of the rig file."""

    OVERFILL = "overfill"
    NEAR = "near contact"
    CONTACT = "contact"
    LOW = "low"
    DRY = "dry"
    LEVEL_UNKNOWN = "level unknown"
    LEVEL_DOUBT = "level in doubt"
    DISAGREE = "float and level disagree"
    PUMP_STOPPED = "pump stopped"
    PUMP_STILL = "pump may stand still"
    LEAK = "leak"
    SALTS = "salts"
    HOT = "room too hot"
    COLD = "room too cold"
    HUMID = "room too humid"
    ABOVE = "above"
    BELOW = "below"
    SILENT = "silent"
    DRIFT = "drift"
    STUCK = "stuck"
    DRIFTING = "drifting"
    OPEN = "open circuit"
    SHORT = "short circuit"
    INSULATION = "insulation"
    DOUBT = "doubtful readings"
    BUS = "bus down"
    OUTLET = "outlet away"
    RECORD = "record refused"
    BACKUP = "no backup"
    LOST = "readings given up"
    DAMAGED = "record damaged"
    DISK = "disk low"
    LOG = "log grows"
    CLOCK = "clock not known"
    RESTARTED = "restarted"
    UNDERVOLTAGE = "undervoltage"
    BEHIND = "forwarding behind"
    TRIAL = "trial not answered"


@dataclass(frozen=True, slots=True)
class AlarmPlan:
    """One alarm: what it watches, when it stands, what it means and what to do.

    `key` names it for ever. `subject` is the probe, bus or outlet it watches. `setpoint` and
    `deadband` are in `unit`; an alarm on a state (silent, down, away) has no setpoint. `against`
    is the probe a drift or a float is judged by; None is the reference resistor's own nominal
    value.

    `within` is how long one has until the consequence sets in, s, counted from when it came.
    `latching` waits to be reset once the cause has gone. `repeat` is after how many s people are
    told again while nobody has answered, 0 never. `under` are the keys of alarms that say all there
    is to say while they stand, and `in_service` is whether a service window does so too.
    """

    key: str
    title: str
    watch: Watch
    subject: str
    on_delay: float
    off_delay: float
    cause: str
    consequence: str
    actions: tuple[str, ...]
    within: float
    priority: Priority
    setpoint: float | None = None
    deadband: float = 0.0
    unit: str = ""
    against: str | None = None
    latching: bool = False
    repeat: float = 0.0
    under: tuple[str, ...] = ()
    in_service: bool = False
