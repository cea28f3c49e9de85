"""The wiring plan: what hangs where, as a table a person wires by."""

import re
from collections.abc import Mapping

from longsoak.vocabulary.rig import Probe, Reservoir, Rig

COLUMNS = ("bus", "address", "probe", "place", "curve", "unit")


def wiring_plan(rig: Rig) -> list[tuple[str, ...]]:
    """One row of `COLUMNS` for each probe.

    Returns
    -------
    list of tuple of str
        In the order of the buses in the file, then of the addresses, where channel 9 comes before
        channel 10. Lengths are in mm.
    """
    order = {bus.name: index for index, bus in enumerate(rig.buses)}
    rows = [
        (
            probe.bus,
            address_words(probe),
            probe.name,
            place_words(probe, rig.reservoir),
            probe.curve or "",
            # What its value will be called, so that a wood-equivalent is no surprise weeks later.
            probe.unit_words,
        )
        for probe in rig.probes
    ]
    return sorted(rows, key=lambda row: (order[row[0]], _natural(row[1]), _natural(row[2])))


def address_words(probe: Probe) -> str:
    """Write a probe's address on one line: ``device 1, input 0``."""
    return _listed(probe.address)


def _listed(fields: Mapping[str, object]) -> str:
    return ", ".join(f"{key} {_written(value)}" for key, value in fields.items())


def _written(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"({_listed(value)})" if isinstance(value, Mapping) else str(value)


def place_words(probe: Probe, reservoir: Reservoir | None) -> str:
    """Say where a probe is: position in its bay, words of the file, or the reservoir it watches."""
    if probe.bay is not None:
        return f"{probe.bay}, {probe.depth:g} deep, {probe.height:g} high"
    if probe.place is not None:
        return probe.place
    if reservoir is not None and probe.name in (reservoir.level, reservoir.float_switch):
        return reservoir.name
    return ""


def _natural(text: str) -> list[tuple[int, int, str]]:
    return [
        (0, int(part), "") if part.isdecimal() else (1, 0, part)
        for part in re.findall(r"\d{1,15}|\D+", text)
    ]
