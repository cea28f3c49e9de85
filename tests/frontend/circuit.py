"""The front end's circuit: what the pins of the microcontroller do to electrodes and ADC.

Written from the drawing in WIRING.md and apart from the firmware. It runs under MicroPython, so it
keeps to what that knows. Between two changes everything moves towards its end by one time constant.
"""

import math

SUPPLY = 3.3  # V
RANGES = (10.07e3, 99.4e3, 1.006e6, 9.93e6, 100.8e6)  # Ohm: 1 % parts, none at its nominal value
SERIES = 1180.0  # Ohm
CABLE = 1e-9  # F: 10 m of it
AIR = 1e15  # Ohm between electrodes with nothing between them
REFERENCE = 1.002e6  # Ohm
PER_BANK = 12  # pairs; P1 to P12 in the first bank
FIXED = {13: "REF", 14: "OPEN", 15: "SHORT"}  # addresses in the first bank

PAIR_ADDRESS = (2, 3, 4, 5)
BANKS = (6, 7)
RANGE_ADDRESS = (8, 9, 10)
RANGE_ENABLE = 11
DRIVE = 12
RETURN = 13
PROMPT = 15


class Circuit:
    """The state of it all at `now`, s; `faults` holds what no front end may do."""

    def __init__(self) -> None:
        self.now = 0.0
        self.faults: list[str] = []
        # Name to s driven forward, s driven in reverse, s with both ends at 0 V.
        self.energised: dict[str, list[float]] = {}
        self.ranges: list[int] = []  # in the order they were energised on
        self.specimens: dict[str, float] = {"REF": REFERENCE, "SHORT": 0.0}
        self.emf: dict[str, float] = {}  # V
        self.leak = 1e12  # Ohm from the sense node to ground
        self.bias = 0.0  # A into the sense node
        self.hum = 0.0  # A of the mains into the sense node
        self.mains = 50.0  # Hz
        self.offset = 0.0  # of the ADC, share
        self.ceiling = 1.0  # share above which the ADC says full scale
        self.step = 0.0  # share the ADC jumps by at half scale
        self.stuck: float | None = None  # share the ADC says whatever comes
        self.cable = CABLE
        self.grounded = False  # whether the prompt pin is
        self.cut_after = 0  # changes of pins until the power fails; 0 never
        self._levels: dict[int, int] = {}
        self._volts = 0.0  # at the sense node
        self._seed = 1
        self._still: tuple[float, float, list[float], int] | None = None

    def changed(self) -> None:
        """Say that something else than a pin was changed."""
        self._still = None

    def set_pin(self, gpio: int, level: int) -> None:
        """Let a pin go high or low, and judge what that does."""
        before, was = self.pair(), self._current()
        self._levels[gpio] = level
        self._still = None
        after, live = self.pair(), self._current()
        if len(self.pairs()) > 1:
            self.faults.append("connected at once: " + " ".join(self.pairs()))
        if before != after and (was or live):
            self.faults.append("switched while energised: " + str(before) + " " + str(after))
        if live and not was:
            self.ranges.append(self._place())
        if self.cut_after:
            self.cut_after -= 1
            if not self.cut_after:
                raise SystemExit

    def get_pin(self, gpio: int) -> int:
        """The level of a pin; the prompt pin is pulled up."""
        if gpio == PROMPT:
            return 0 if self.grounded else 1
        return self._levels.get(gpio, 0)

    def at_rest(self) -> None:
        """Judge a moment at which nothing is to be measured."""
        if self.pairs():
            self.faults.append("connected at rest: " + " ".join(self.pairs()))
        if self.get_pin(DRIVE) or self.get_pin(RETURN):
            self.faults.append("driven at rest")

    def advance(self, seconds: float) -> None:
        """Let time pass."""
        end, conductance, spent, which = self._now()
        self.now += seconds
        spent[which] += seconds
        self._volts = end + (self._volts - end) * math.exp(-seconds * conductance / self.cable)

    def sample(self) -> int:
        """What a 12-bit ADC makes of the sense node, in 16 bits."""
        if self.stuck is not None:
            share = self.stuck
        else:
            conductance = self._now()[1]
            omega = 2 * math.pi * self.mains
            swing = self.hum / math.sqrt(conductance**2 + (omega * self.cable) ** 2)
            share = (self._volts + swing * math.sin(omega * self.now)) / SUPPLY + self.offset
            if share > 0.5:
                share += self.step
            if share > self.ceiling:
                share = 1.0
        counts = int(share * 4096 + self._noise())
        counts = max(0, min(4095, counts))
        return counts << 4 | counts >> 8

    def pairs(self) -> list[str]:
        """Names of the pairs whose electrodes are connected."""
        address = self._number(PAIR_ADDRESS)
        banks = [bank for bank, gpio in enumerate(BANKS) if self._levels.get(gpio, 1) == 0]
        return [_name(bank, address) for bank in banks]

    def pair(self) -> str | None:
        """The one connected pair."""
        found = self.pairs()
        return found[0] if found else None

    def _current(self) -> bool:
        """Whether the connected pair has a voltage put on it."""
        return bool(self.pairs()) and self.get_pin(DRIVE) != self.get_pin(RETURN)

    def _place(self) -> int:
        return self._number(RANGE_ADDRESS)

    def _number(self, gpios: tuple[int, ...]) -> int:
        return sum(self.get_pin(gpio) << bit for bit, gpio in enumerate(gpios))

    def _now(self) -> tuple[float, float, list[float], int]:
        """What `_end` says, and what the time that passes is booked on; kept until a change."""
        if self._still is None:
            end, conductance = self._end()
            name, which = self.pair(), 2
            if self._current():
                which = 0 if self.get_pin(DRIVE) else 1
            booked = [0.0, 0.0, 0.0]
            if name is not None and self._levels.get(RANGE_ENABLE, 1) == 0:
                booked = self.energised.setdefault(name, booked)
            self._still = end, conductance, booked, which
        return self._still

    def _end(self) -> tuple[float, float]:
        """Where the sense node would settle, V, and the conductance it does so through, S."""
        conductance = 1 / self.leak
        current = self.bias
        for name in self.pairs():
            through = 1 / (self.specimens.get(name, AIR) + SERIES)
            conductance += through
            current += through * (self.get_pin(DRIVE) * SUPPLY + self.emf.get(name, 0.0))
        place = self._place()
        if self._levels.get(RANGE_ENABLE, 1) == 0 and place < len(RANGES):
            through = 1 / RANGES[place]
            conductance += through
            current += through * self.get_pin(RETURN) * SUPPLY
        # Supply rails bound it: beyond them the multiplexer's protection conducts.
        return max(-0.3, min(SUPPLY + 0.3, current / conductance)), conductance

    def _noise(self) -> float:
        """One count of noise, evenly spread."""
        self._seed = (1103515245 * self._seed + 12345) & 0x7FFFFFFF
        return self._seed / 0x7FFFFFFF


def _name(bank: int, address: int) -> str:
    if bank == 0 and address in FIXED:
        return FIXED[address]
    return "P" + str(bank * PER_BANK + address + 1)
