"""Readings for the tests of proving: a few in a row, half a second apart."""

from collections.abc import Sequence

from longsoak.core.judge import gross_range
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Kind, Probe, Rig
from rigs import START_MS, small_rig

RAW_UNITS = {
    Kind.PINS: "Ohm",
    Kind.REFERENCE: "Ohm",
    Kind.HUMIDITY: "%",
    Kind.TEMPERATURE: "Cel",
    Kind.LEVEL: "mm",
    Kind.FLOAT: "1",
}


def probe_called(name: str, rig: Rig | None = None) -> Probe:
    return next(probe for probe in (rig or small_rig()).probes if probe.name == name)


def readings(name: str, raws: Sequence[float | None], *, unit: str | None = None) -> list[Reading]:
    """Readings of a probe of the small rig, judged by the gross range as the recorder does."""
    probe = probe_called(name)
    found = []
    for place, raw in enumerate(raws):
        utc_ms = START_MS + 500 * place
        if raw is None:
            missing = Reading(name, utc_ms, None, "", None, None, Flag.MISSING, Reason.NO_ANSWER)
            found.append(missing)
            continue
        flag, reason = gross_range(raw, probe.kind)
        value = None if flag is Flag.FAIL else raw
        raw_unit = unit or RAW_UNITS[probe.kind]
        found.append(Reading(name, utc_ms, raw, raw_unit, value, None, flag, reason))
    return found
