"""Raw samples of one scan to values, uncertainties and flags, as parallel tuples. Pure."""

from collections.abc import Mapping, Sequence
from math import nan
from typing import NamedTuple

from longsoak.core.judge import gross_range
from longsoak.core.resistance import COLDEST, WARMEST, Reach, moisture_content, prepare
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.rig import Kind, Probe, Rig
from longsoak.vocabulary.sample import Absence, Missing, Sample

# Raw units a kind's value can be made from, UCUM.
UNITS = {
    Kind.PINS: ("Ohm",),
    Kind.REFERENCE: ("Ohm",),
    Kind.HUMIDITY: ("%",),
    Kind.TEMPERATURE: ("Cel",),
    Kind.LEVEL: ("mm", "mV", "V"),
    Kind.FLOAT: ("1",),
}
# Standard uncertainty of what a sensor says, in the unit of its kind. Common practice for the chips
# such rigs use; a reference resistor is judged by its meter (relative).
_SENSOR_UNCERTAINTY = {Kind.HUMIDITY: 1.0, Kind.TEMPERATURE: 0.25, Kind.LEVEL: 1.0, Kind.FLOAT: 0.0}
_REFERENCE_RELATIVE = 0.005

_ABSENT = {
    Absence.NO_ANSWER: Reason.NO_ANSWER,
    Absence.BAD_CHECKSUM: Reason.BAD_CHECKSUM,
    Absence.UNREADABLE: Reason.UNREADABLE,
    Absence.REFUSED: Reason.REFUSED,
    Absence.BUS_DOWN: Reason.BUS_DOWN,
}


class Converted(NamedTuple):
    """What one sample became; NaN stands for "none"."""

    raw: float
    unit: str
    value: float
    uncertainty: float
    flag: Flag
    reason: Reason


class Conversion:
    """The conversions of one rig, prepared once.

    Its memory is the last good temperature of each probe that corrects another; everything else
    is a function of the samples.
    """

    def __init__(self, rig: Rig) -> None:
        curves = {name: prepare(curve) for name, curve in rig.curves.items()}
        self._probes = {probe.name: probe for probe in rig.probes}
        self._curves = {
            probe.name: curves[probe.curve] for probe in rig.probes if probe.curve is not None
        }
        # A temperature stands for the wood's until three of its polls have been missed.
        self._patience = {
            probe.name: 3 * probe.record + 60
            for probe in rig.probes
            if probe.kind is Kind.TEMPERATURE
        }
        self._temperatures: dict[str, tuple[float, float]] = {}

    def convert(self, samples: Sequence[Sample | Missing], *, now: float) -> list[Converted]:
        """Convert one scan's samples, in their order.

        Parameters
        ----------
        samples : sequence of Sample or Missing
            As the driver gave them.
        now : float
            CLOCK_BOOTTIME, s.
        """
        found = {
            sample.probe: self._plain(self._probes[sample.probe], sample)
            for sample in samples
            if self._probes[sample.probe].kind is not Kind.PINS
        }
        for probe, converted in found.items():  # first, so that a scan's own temperatures serve it
            if probe in self._patience and converted.flag is Flag.PASS:
                self._temperatures[probe] = (converted.value, now)
        return [
            found[sample.probe]
            if sample.probe in found
            else self._pins(self._probes[sample.probe], sample, now)
            for sample in samples
        ]

    def _plain(self, probe: Probe, sample: Sample | Missing) -> Converted:
        if isinstance(sample, Missing):
            return _missing(sample)
        raw = sample.value
        if sample.unit not in UNITS[probe.kind]:
            return _not_evaluated(sample, Reason.WRONG_UNIT)
        value = probe.zero + probe.per_unit * raw if probe.kind is Kind.LEVEL else raw
        flag, reason = gross_range(value, probe.kind)
        if flag is Flag.FAIL:
            return Converted(raw, sample.unit, nan, nan, flag, reason)
        if probe.kind is Kind.REFERENCE:
            uncertainty = _REFERENCE_RELATIVE * value
        else:
            uncertainty = _SENSOR_UNCERTAINTY[probe.kind]
        return Converted(raw, sample.unit, value, uncertainty, flag, reason)

    def _pins(self, probe: Probe, sample: Sample | Missing, now: float) -> Converted:
        if isinstance(sample, Missing):
            return _missing(sample)
        if sample.unit not in UNITS[Kind.PINS]:
            return _not_evaluated(sample, Reason.WRONG_UNIT)
        flag, reason = gross_range(sample.value, Kind.PINS)
        if flag is Flag.FAIL:
            return Converted(sample.value, sample.unit, nan, nan, flag, reason)
        temperature = self._temperature_for(probe, now)
        if temperature is None:
            return _not_evaluated(sample, Reason.NO_TEMPERATURE)
        # A dead short reads 0 Ohm or a little less; its logarithm does not exist, its wetness does.
        found = moisture_content(max(sample.value, 1.0), temperature, self._curves[probe.name])
        if flag is Flag.PASS:
            reason = _REACH[found.reach]
        return Converted(sample.value, sample.unit, found.value, found.uncertainty, flag, reason)

    def _temperature_for(self, probe: Probe, now: float) -> float | None:
        if probe.temperature is None or probe.temperature not in self._temperatures:
            return None
        value, at = self._temperatures[probe.temperature]
        if now - at > self._patience[probe.temperature]:
            return None
        return value if COLDEST <= value <= WARMEST else None


_REACH: Mapping[Reach, Reason] = {
    Reach.WITHIN: Reason.NONE,
    Reach.DRIER: Reason.DRIER_THAN_CURVE,
    Reach.WETTER: Reason.WETTER_THAN_CURVE,
}


def _missing(missing: Missing) -> Converted:
    return Converted(nan, "", nan, nan, Flag.MISSING, _ABSENT[missing.why])


def _not_evaluated(sample: Sample, reason: Reason) -> Converted:
    return Converted(sample.value, sample.unit, nan, nan, Flag.NOT_EVALUATED, reason)
