"""The script of things that go wrong, or right again, while the demo runs."""

import tomllib
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from pathlib import Path

from longsoak_demo.places import BUSES, BY_NAME


class Kind(StrEnum):
    """What can happen; the values are the words of the script."""

    OVERFILL = "overfill"
    CONTACT = "contact"
    PUMP_STOP = "pump stop"
    PUMP_START = "pump start"
    OPEN_WIRE = "open wire"
    DRIFT = "drift"
    SHORT = "short"
    STUCK = "stuck"
    STEP = "step"
    CREEP = "creep"
    NOISE = "noise"
    LEAKAGE = "leakage"
    POLARISATION = "polarisation"
    GAIN = "gain"
    SILENCE = "silence"
    UNPLUG = "unplug"
    REPLUG = "replug"
    MEND = "mend"


# Fields beside `at` and `kind`: those a kind must have, and those it may have.
_MUST: dict[Kind, tuple[str, ...]] = {
    Kind.OPEN_WIRE: ("probe",),
    Kind.DRIFT: ("probe", "amount"),
    Kind.SHORT: ("probe",),
    Kind.STUCK: ("probe",),
    Kind.STEP: ("probe", "amount"),
    Kind.CREEP: ("probe", "amount"),
    Kind.NOISE: ("probe", "amount"),
    Kind.LEAKAGE: ("probe", "amount"),
    Kind.POLARISATION: ("probe", "amount"),
    Kind.GAIN: ("bus", "amount"),
    Kind.UNPLUG: ("bus",),
    Kind.REPLUG: ("bus",),
}
_MAY: dict[Kind, tuple[str, ...]] = {
    Kind.OVERFILL: ("amount",),
    Kind.SILENCE: ("probe", "bus"),
    Kind.MEND: ("probe", "bus"),
}


class EventsError(ValueError):
    """The script can't be used; the message is one sentence with the file and the field."""


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happens, `at` seconds of wall time after the start.

    `amount` is litres for an overfill; for a drift it is % of the true value where the probe
    measures a resistance, else it is in the probe's own unit. What it is for the other faults of a
    sensor, `longsoak_demo.faults.Fault` says.
    """

    at: float
    kind: Kind
    probe: str | None = None
    bus: str | None = None
    amount: float | None = None

    def __str__(self) -> str:
        parts: list[str] = [self.kind.value]
        if self.probe or self.bus:
            parts.append(f"at {self.probe or self.bus}")
        if self.amount is not None:
            parts.append(f"by {self.amount:g}")
        return " ".join(parts)


def read_events(path: Path) -> list[Event]:
    """Read a script, in the order things happen.

    Raises
    ------
    EventsError
        The file can't be read, or something in it isn't as expected.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise EventsError(f"{path}: can't be read: {error.strerror}.") from error
    except ValueError as error:  # bad UTF-8 and bad TOML alike
        raise EventsError(f"{path}: is not TOML: {error}.") from error
    rows = table.pop("events", [])
    if table:
        raise EventsError(f"{path}: {next(iter(table))} is not known here, expected [[events]].")
    if not isinstance(rows, list):
        raise EventsError(f"{path}: events is {rows!r}, expected tables. Write [[events]].")
    events = [_event(row, f"{path}: events[{number}]") for number, row in enumerate(rows)]
    return sorted(events, key=lambda event: event.at)


def _event(row: object, where: str) -> Event:
    if not isinstance(row, dict):
        raise EventsError(f"{where} is {row!r}, expected a table. Write [[events]].")
    at = _number(row, "at", where)
    if at < 0:
        raise EventsError(f"{where}.at is {at:g}, expected seconds after the start, 0 or more.")
    words = ", ".join(f'"{kind}"' for kind in Kind)
    if row.get("kind") not in list(Kind):
        raise EventsError(f"{where}.kind is {row.get('kind')!r}, expected one of {words}.")
    kind = Kind(row["kind"])
    must, may = _MUST.get(kind, ()), _MAY.get(kind, ())
    for field in row:
        if field not in ("at", "kind", *must, *may):
            known = ", ".join(("at", "kind", *must, *may))
            raise EventsError(f"{where}.{field} is not known for {kind}, expected {known}.")
    for field in must:
        if field not in row:
            raise EventsError(f"{where}.{field} is missing; {kind} needs it.")
    probe, bus = _name(row, "probe", where), _name(row, "bus", where)
    if probe and bus:
        raise EventsError(f"{where} has a probe and a bus, expected one of the two.")
    if kind is Kind.SILENCE and not (probe or bus):
        raise EventsError(f"{where}.probe is missing; {kind} needs a probe or a bus.")
    amount = _number(row, "amount", where) if "amount" in row else None
    if kind is Kind.OVERFILL and amount is not None and amount <= 0:
        raise EventsError(f"{where}.amount is {amount:g}, expected litres above 0.")
    return Event(at, kind, probe=probe, bus=bus, amount=amount)


def _number(row: dict[str, object], field: str, where: str) -> float:
    value = row.get(field)
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise EventsError(f"{where}.{field} is {value!r}, expected a number.")
    return float(value)


def _name(row: dict[str, object], field: str, where: str) -> str | None:
    value = row.get(field)
    if value is None:
        return None
    known = list(BY_NAME) if field == "probe" else list(BUSES)
    if value not in known:
        names = ", ".join(known)
        raise EventsError(f"{where}.{field} is {value!r}, which this rig hasn't got: {names}.")
    return str(value)
