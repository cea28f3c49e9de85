"""How far a reading can be believed, and why."""

from enum import IntEnum


class Flag(IntEnum):
    """Quality flags, with the meaning and numbers of the IOOS QARTOD manuals."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9

    @property
    def word(self) -> str:
        """The flag in lower case words, as pages and tables print it."""
        return self.name.lower().replace("_", " ")


class Reason(IntEnum):
    """Why a reading carries its flag, or what its value means. Stored as one byte; never renumber.

    `DRIER_THAN_CURVE` and `WETTER_THAN_CURVE` are no faults: the value is the end of the curve and
    the truth lies beyond it. With `MAY_BE_LEAKAGE` the leads may conduct as much as the wood, which
    is then drier than the value. See `AT_LEAST` and `AT_MOST`.
    """

    NONE = 0
    DRIER_THAN_CURVE = 1
    WETTER_THAN_CURVE = 2
    OPEN_CIRCUIT = 3
    SHORT_CIRCUIT = 4
    OUT_OF_RANGE = 5
    NO_TEMPERATURE = 6
    WRONG_UNIT = 7
    NO_ANSWER = 8
    BAD_CHECKSUM = 9
    UNREADABLE = 10
    BUS_DOWN = 11
    REFUSED = 12
    STAND_IN_TEMPERATURE = 13
    OVER_RANGE = 14
    UNTRIED_TEMPERATURE = 15
    MAY_BE_LEAKAGE = 16
    LOOP_FAULT = 17
    BY_HAND = 18  # only in front of what is stored
    SATURATED = 19
    SET_ASIDE = 20  # only in front of what is stored
    SERVICE = 21  # only in front of what is stored

    @property
    def words(self) -> str:
        """The reason as a person would say it; empty for `NONE`."""
        return _WORDS[self]


_WORDS = {
    Reason.NONE: "",
    Reason.DRIER_THAN_CURVE: "drier than the curve reaches",
    Reason.WETTER_THAN_CURVE: "wetter than the curve reaches, perhaps near saturation",
    Reason.OPEN_CIRCUIT: "open circuit",
    Reason.SHORT_CIRCUIT: "short circuit, or soaked",
    Reason.OUT_OF_RANGE: "outside what the sensor can measure",
    Reason.NO_TEMPERATURE: "no temperature to correct with",
    Reason.WRONG_UNIT: "came in a unit this kind of probe does not have",
    Reason.NO_ANSWER: "no answer",
    Reason.BAD_CHECKSUM: "bad checksum",
    Reason.UNREADABLE: "unreadable answer",
    Reason.BUS_DOWN: "its bus is down",
    Reason.REFUSED: "the instrument refused",
    Reason.STAND_IN_TEMPERATURE: "corrected with a stand-in temperature",
    Reason.UNTRIED_TEMPERATURE: "colder or warmer than its curve was tried at",
    Reason.MAY_BE_LEAKAGE: "may be leakage through the leads",
    Reason.SATURATED: "saturated: the air is wet, and how wet can't be told",
    Reason.SET_ASIDE: "set aside: water touched the specimen",
    Reason.BY_HAND: "flagged by hand, see the logbook",
    Reason.SERVICE: "somebody worked at the rig: a service window was open",
    Reason.LOOP_FAULT: "its 4-20 mA loop is broken, shorted, or tells a fault",
    Reason.OVER_RANGE: "beyond the meter's range, or an open wire",
}

# Reasons with which a moisture content is only a bound: the truth is at least, or at most, that.
AT_LEAST = frozenset({Reason.WETTER_THAN_CURVE, Reason.SHORT_CIRCUIT})
AT_MOST = frozenset({Reason.DRIER_THAN_CURVE, Reason.OVER_RANGE, Reason.MAY_BE_LEAKAGE})
