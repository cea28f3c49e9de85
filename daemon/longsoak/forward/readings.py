"""Readings as the keys of ``reading.schema.json``. Pure."""

from math import isfinite

from longsoak.core.wording import bound_words, rfc3339
from longsoak.vocabulary.outlet import Payload
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import UNIT, Rig


class Payloads:
    """Writes readings of one rig."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._probes = {probe.name: probe for probe in rig.probes}

    def of(self, reading: Reading, *, run: str, scan: int, time_sure: bool) -> Payload:
        """One reading.

        Parameters
        ----------
        reading : Reading
            Of a probe that the rig may have no longer.
        run : str
            Of the measuring process, as `longsoak.store.reader.StoredScan` names it.
        scan : int
            Id of the scan it came in.
        time_sure : bool
            Whether the clock was known when it was taken, or its time was put right since.
        """
        probe = self._probes.get(reading.probe)
        value = _finite(reading.value)
        bound = None if probe is None else bound_words(probe.kind, value, reading.reason)
        return {
            "rig": self._rig.name,
            "probe": reading.probe,
            "run": run,
            "scan": scan,
            "at": rfc3339(reading.utc_ms),
            "time_sure": time_sure,
            "kind": None if probe is None else probe.kind,
            "quantity": None if probe is None else probe.quantity,
            "value": value,
            "unit": None if probe is None or value is None else UNIT[probe.kind],
            "bound": bound,
            "uncertainty": None if bound else _finite(reading.uncertainty),
            "flag": reading.flag.word,
            "reason": reading.reason.words,
            "raw": _finite(reading.raw),
            "raw_unit": reading.raw_unit,
            "invented": self._rig.invented,
        }


def _finite(number: float | None) -> float | None:
    return number if number is not None and isfinite(number) else None
