"""The resistance of one pair, from the divider it makes with a range resistor.

With the pair driven and the resistor to ground the sense node is at the share
``q = r / (R + r)`` of the supply; with the two changed over it is at ``1 - q``. The mean of ``q``
and ``1 - (1 - q)`` is free of whatever adds the same voltage both times: an electromotive force of
wet or corroding electrodes, the buffer's offset and its bias current. (The mean of the two
resistances is not: it keeps the square of that voltage.) Half the difference tells how large it
was.
"""

import time

import settings
from board import Board

LOW, HIGH = 0.012, 0.988  # shares of the supply that buffer and ADC are trusted between
POLARISED = 0.3  # share of the supply an electrode's own voltage may have
DRIFT, GRAIN = 0.005, 0.0008  # a half may differ from the other by that share, and 3 ADC steps
START = 2  # the range a channel is first looked at on
NEVER = 1e-6  # least share that is divided by
UNDER = 0.5  # of SERIES: a reading that far below nothing is a fault, not a short


class Reading:
    """What one channel gave: `ohm`, None beyond `settings.MOST`; `emf` in V; `word` if refused."""

    def __init__(self, ohm: float | None, emf: float, word: str | None) -> None:
        self.ohm = ohm
        self.emf = emf
        self.word = word


class Look:
    """One range's two shares of the supply across its resistor, and whether they held still."""

    def __init__(self, place: int, forward: float, backward: float, settled: bool) -> None:
        self.place = place
        self.share = max((forward + backward) / 2, NEVER)
        self.own = (forward - backward) / (2 * self.share)  # the electrodes' voltage, as a share
        self.clipped = not (LOW < forward < HIGH and LOW < backward < HIGH)
        self.settled = settled


class Meter:
    """Measures one channel at a time on a board."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._last: dict[tuple[int, int], int] = {}  # channel to the range it was last at home on

    def measure(self, bank: int, address: int) -> Reading:
        """Measure one channel on the range that suits it; electrodes are let go at the end."""
        try:
            return self._measure(bank, address)
        finally:
            self._board.rest()

    def _measure(self, bank: int, address: int) -> Reading:
        channel = bank, address
        place = self._last.get(channel, START)
        look = kept = self._look(bank, address, place)
        tried = [place]
        while True:
            better = nearest(resistance(look.share, place))
            if better in tried:
                break
            place = better
            tried.append(place)
            look = self._look(bank, address, place)
            if kept.clipped or not look.clipped:
                kept = look
        self._board.release(bank, address)
        self._last[channel] = kept.place
        return judge(kept)

    def _look(self, bank: int, address: int, place: int) -> Look:
        """Drive the pair one way and as long the other; again and slower until both ways hold."""
        started = time.ticks_ms()
        settle = settings.SETTLE[place]
        while True:
            self._board.connect(bank, address, place)
            self._board.forward()
            forward, held = self._average(settle)
            self._board.reverse()
            backward, held_too = self._average(settle)
            spent = time.ticks_diff(time.ticks_ms(), started)
            if (held and held_too) or spent > settings.PATIENCE:
                return Look(place, forward, 1 - backward, held and held_too)
            settle *= 2

    def _average(self, settle: int) -> tuple[float, bool]:
        """The mean, and whether it held: a long cable and wet wood take their time."""
        self._board.wait(settle)
        self._half(settings.DISCARD)
        first = self._half(settings.SAMPLES // 2)
        second = self._half(settings.SAMPLES // 2)
        held = abs(second - first) <= DRIFT * min(second, 1 - second) + GRAIN
        return (first + second) / 2, held

    def _half(self, count: int) -> float:
        total = 0.0
        due = time.ticks_us()
        for _ in range(count):
            due = time.ticks_add(due, settings.EVERY * 1000)
            left = time.ticks_diff(due, time.ticks_us())
            if left > 0:
                time.sleep_us(left)
            total += self._board.sample()
        self._board.alive()
        return total / count


def resistance(share: float, place: int) -> float:
    """Ohm of what stands between the electrodes, from the share across the range resistor."""
    return settings.RANGES[place] * (1 - share) / share - settings.SERIES


def nearest(ohm: float) -> int:
    """The range whose resistor is nearest by ratio: there the ADC's error counts least."""
    ohm += settings.SERIES
    return sum(ohm * ohm > low * high for low, high in zip(settings.RANGES, settings.RANGES[1:]))


def judge(look: Look) -> Reading:
    """Turn a look into a reading, or into the word for why it is none."""
    ohm = resistance(look.share, look.place)
    emf = look.own * settings.SUPPLY
    if not look.settled:
        return Reading(ohm, emf, "unsettled")
    if look.place == len(settings.RANGES) - 1 and ohm > settings.MOST:
        return Reading(None, emf, None)
    if look.place == 0 and ohm < -UNDER * settings.SERIES:
        return Reading(ohm, emf, "under range")
    if look.clipped:
        return Reading(ohm, emf, "saturated")
    if abs(look.own) > POLARISED:
        return Reading(ohm, emf, "polarised")
    return Reading(ohm, emf, None)
