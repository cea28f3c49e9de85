"""The wiring plan: what hangs where, as a table a person wires by."""

import re
from collections.abc import Mapping
from math import isinf

from longsoak.core.wording import place_words
from longsoak.vocabulary.rig import Probe, Rig

COLUMNS = ("bus", "address", "probe", "place", "curve", "unit")
OUTPUT_COLUMNS = ("bus", "address", "output", "kind", "on at most")


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
            place_words(probe, bays=rig.specimen.bays, reservoir=rig.reservoir),
            probe.curve or "",
            # What its value will be called, so that a wood-equivalent is no surprise weeks later.
            probe.unit_words,
        )
        for probe in rig.probes
    ]
    return sorted(rows, key=lambda row: (order[row[0]], _natural(row[1]), _natural(row[2])))


def output_plan(rig: Rig) -> list[tuple[str, ...]]:
    """One row of `OUTPUT_COLUMNS` for each output, in the order of `wiring_plan`."""
    order = {bus.name: index for index, bus in enumerate(rig.buses)}
    rows = [
        (
            output.bus,
            _listed(output.address),
            output.name,
            output.kind.value,
            "" if isinf(output.longest) else f"{output.longest:g} s",
        )
        for output in rig.outputs
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


def _natural(text: str) -> list[tuple[int, int, str]]:
    return [
        (0, int(part), "") if part.isdecimal() else (1, 0, part)
        for part in re.findall(r"\d{1,15}|\D+", text)
    ]
