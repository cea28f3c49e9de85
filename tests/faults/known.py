"""Scans that are known by their number, so that what a record holds is told from what it should.

Everything about scan n of a seed follows from the two, so nobody needs to have kept it. Its number
is its id in the record.
"""

import struct
from dataclasses import dataclass, replace
from math import nan
from random import Random

from faults.chance import drawn_from
from longsoak.store.crowding import LEEWAY_MS
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan

T0 = 1_900_000_000_000
EVERY_MS = 60_000  # from scan to scan, so that days end often
STEP_EVERY = 700  # scans after which the wall clock may have been set
PROBES = {
    "meter": tuple(f"pins {i}" for i in range(1, 9)),
    "air": ("warmth", "dampness", "warmth beside"),
    "tray": ("depth", "switch"),
}
UNITS = {"meter": "Ohm", "air": "Cel", "tray": "mV"}
_BUSES = tuple(PROBES)
_FLAGS, _REASONS = tuple(Flag), tuple(Reason)
_STATES = tuple(AlarmState)
CHANGE_EVERY = 17  # scans to one change of an alarm
KEY = "witness"


def scan_of(seed: int, number: int) -> Scan:
    """Scan `number`: three buses, passes left off early, and any bits a driver could give."""
    chance = drawn_from("scan", seed, number)
    bus = _BUSES[number % 3]
    probes = PROBES[bus]
    if chance.random() < 0.1:
        probes = probes[: chance.randint(1, len(probes))]
    n = len(probes)
    raw = tuple(_raw(chance, number) for _ in range(n))
    values = tuple(_single(chance, number) for _ in range(n))
    boottime_ms = 5000 + number * EVERY_MS + chance.randrange(EVERY_MS // 2)
    setting = drawn_from("clock", seed, number // STEP_EVERY)
    offset = setting.choice((0, 0, 61_000, -3_600_000)) if number >= STEP_EVERY else 0
    return Scan(
        bus,
        T0 + boottime_ms + offset,
        boottime_ms,
        setting.random() < 0.7,
        probes,
        (UNITS[bus],) * n,
        raw,
        values,
        tuple(_single(chance, number) for _ in range(n)),
        tuple(chance.choice(_FLAGS) for _ in range(n)),
        tuple(chance.choice(_REASONS) for _ in range(n)),
    )


def _raw(chance: Random, number: int) -> float:
    kind = chance.random()
    if kind < 0.05:
        return nan
    if kind < 0.15:  # any double but a NaN: subnormal, infinite, minus nought
        (found,) = struct.unpack("<d", struct.pack("<Q", chance.getrandbits(64)))
        return nan if found != found else float(found)
    return 1e6 + number % 5000 + chance.randrange(16) / 16  # what a meter gives: it moves slowly


def _single(chance: Random, number: int) -> float:
    if chance.random() < 0.05:
        return nan
    (found,) = struct.unpack("<f", struct.pack("<f", 12.0 + number % 500 / 7 + chance.random()))
    return float(found)


def change_of(seed: int, number: int) -> AlarmChange | None:
    """The change of an alarm that came with scan `number`, if one did."""
    if number % CHANGE_EVERY:
        return None
    chance = drawn_from("change", seed, number)
    old, new = chance.sample(_STATES, 2)
    return AlarmChange(
        f"{KEY} {number % 5}",
        T0 + number,
        number,
        old,
        new,
        chance.random(),
        f"scan {number}",
        None,
    )


def batch_of(seed: int, first: int) -> Batch:
    """What is committed together from scan `first` on, and a cursor that says how far it went."""
    last = end_of_batch(seed, first)
    batch = Batch()
    for number in range(first, last + 1):
        batch.scans.append(scan_of(seed, number))
        change = change_of(seed, number)
        if change is not None:
            batch.changes.append(change)
    batch.cursors[KEY] = (last, T0 + last)
    return batch


def end_of_batch(seed: int, first: int) -> int:
    """The last scan of the batch that begins with `first`."""
    return first + drawn_from("batch", seed, first).choice((1, 1, 1, 2, 3, 20)) - 1


@dataclass(frozen=True, slots=True)
class Row:
    """A scan as it lies in the record."""

    bus: str
    probes: str
    units: str
    utc_ms: int
    boottime_ms: int
    synchronised: bool
    readings: bytes

    def is_as(self, right: "Row") -> bool:
        """Whether it is another, but that its UTC may have been moved on by some ms.

        The record does so to keep apart what a clock that was set would lay on one another.
        """
        there, belongs = replace(self, utc_ms=0), replace(right, utc_ms=0)
        return there == belongs and 0 <= self.utc_ms - right.utc_ms < LEEWAY_MS


def row_of(seed: int, number: int) -> Row:
    """What scan `number` must lie there as; put together apart from the code that writes it."""
    scan = scan_of(seed, number)
    return Row(
        scan.bus,
        "[" + ", ".join(f'"{probe}"' for probe in scan.probes) + "]",
        "[" + ", ".join(f'"{unit}"' for unit in scan.units) + "]",
        scan.utc_ms,
        scan.boottime_ms,
        scan.synchronised,
        b"".join(
            (
                *(struct.pack("<d", raw) for raw in scan.raw),
                *(struct.pack("<f", value) for value in scan.values),
                *(struct.pack("<f", value) for value in scan.uncertainties),
                bytes(scan.flags),
                bytes(scan.reasons),
            )
        ),
    )
