"""The hardware: which pair is connected to which range, what drives it, what the ADC sees.

At rest both drive lines are low and every multiplexer is off, so that no electrode is connected to
anything. A pair is connected and let go only while both drive lines are low.
"""

import time

import machine
import settings

WATCHDOG = 8000  # ms: a board that hangs for longer starts anew
_FULL = 65535  # of read_u16


class Board:
    """One front end; `settings` says which GPIO does what."""

    def __init__(self) -> None:
        low = {"mode": machine.Pin.OUT, "value": 0}
        off = {"mode": machine.Pin.OUT, "value": 1}
        # Off before anything else: the pull-ups have held the multiplexers off until here.
        self._banks = [machine.Pin(gpio, **off) for gpio in settings.BANKS]
        self._range = machine.Pin(settings.RANGE_ENABLE, **off)
        self._drive = machine.Pin(settings.DRIVE, **low)
        self._return = machine.Pin(settings.RETURN, **low)
        self._pair_address = [machine.Pin(gpio, **low) for gpio in settings.PAIR_ADDRESS]
        self._range_address = [machine.Pin(gpio, **low) for gpio in settings.RANGE_ADDRESS]
        self._prompt = machine.Pin(settings.PROMPT, mode=machine.Pin.IN, pull=machine.Pin.PULL_UP)
        self._adc = machine.ADC(machine.Pin(settings.SENSE))
        self._dog = None

    def wants_prompt(self) -> bool:
        """Whether somebody tied the prompt pin to ground, to get at the board."""
        return self._prompt.value() == 0

    def guard(self) -> None:
        """Start the watchdog. It can't be stopped again."""
        self._dog = machine.WDT(timeout=WATCHDOG)

    def alive(self) -> None:
        """Tell the watchdog that all is well."""
        if self._dog is not None:
            self._dog.feed()

    def rest(self) -> None:
        """Let go of everything: nothing driven, nothing connected."""
        self._drive.value(0)
        self._return.value(0)
        for bank in self._banks:
            bank.value(1)
        self._range.value(1)

    def connect(self, bank: int, address: int, place: int) -> None:
        """Connect one pair to one range, not energised yet; whatever was connected is let go."""
        self.rest()
        _put(self._pair_address, address)
        _put(self._range_address, place)
        self._range.value(0)
        self._banks[bank].value(0)

    def forward(self) -> None:
        """Drive the pair's first electrode, with the range resistor to ground."""
        self._return.value(0)
        self._drive.value(1)

    def reverse(self) -> None:
        """Drive the range resistor, with the pair's first electrode to ground."""
        self._drive.value(0)
        self._return.value(1)

    def release(self, bank: int, address: int) -> None:
        """Take the charge off the electrodes through the lowest range, then let go."""
        self.connect(bank, address, 0)
        self.wait(settings.DISCHARGE)
        self.rest()

    def wait(self, ms: int) -> None:
        """Wait with the watchdog fed."""
        self.alive()
        time.sleep_ms(ms)
        self.alive()

    def sample(self) -> float:
        """What the ADC sees, as a share of the supply."""
        return self._adc.read_u16() / _FULL


def _put(pins: list[machine.Pin], number: int) -> None:
    for bit, pin in enumerate(pins):
        pin.value(number >> bit & 1)
