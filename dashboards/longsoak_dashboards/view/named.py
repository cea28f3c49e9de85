"""Names: those that hold a figure, whose point stays one in any language, and those of files."""

import json
import re
from collections.abc import Iterator

from longsoak.vocabulary.rig import Rig

_FIGURE = re.compile(r"\d\.\d")


def file_name(rig: Rig, what: str) -> str:
    """A name that any disk takes: "render-pair-readings.csv" for "readings.csv"."""
    plain = re.sub(r"[^a-z0-9]+", "-", rig.name.lower()).strip("-")
    return f"{plain or 'rig'}-{what}"


def names_with_figures(rig: Rig) -> str:
    """Those of a rig's names that hold one, as a JSON list, the longest first; empty without any.

    Names stand in sentences of many kinds, where nothing else tells them from a measured value.
    """
    found = {name for name in _names(rig) if _FIGURE.search(name)}
    longest = sorted(found, key=lambda name: (-len(name), name))
    return json.dumps(longest, ensure_ascii=False) if longest else ""


def _names(rig: Rig) -> Iterator[str]:
    yield rig.name
    for probe in rig.probes:
        yield from (probe.name, probe.place or "", probe.bus)
    for bay in rig.specimen.bays:
        yield bay.name
        yield from (layer.name for layer in bay.layers)
    if rig.reservoir is not None:
        yield rig.reservoir.name
    yield from (alarm.title for alarm in rig.alarms)
    yield from rig.curves
