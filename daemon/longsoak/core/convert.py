"""Raw samples of one scan to values, uncertainties and flags, as parallel tuples. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import hypot, inf, nan
from typing import NamedTuple

from longsoak.core.fitting import SPREAD
from longsoak.core.indication import COLDEST, WARMEST
from longsoak.core.judge import OVERLOAD, gross_range, loop_range
from longsoak.core.resistance import (
    Budget,
    PreparedCurve,
    Reach,
    moisture_content,
    prepare,
)
from longsoak.core.warmth import Warmth, by_depth
from longsoak.vocabulary.curve import Correction, Curve
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.rig import PUMP, Kind, Probe, Rig
from longsoak.vocabulary.sample import Absence, Missing, Sample

# Raw units a kind's value can be made from, UCUM.
UNITS = {
    Kind.PINS: ("Ohm",),
    Kind.REFERENCE: ("Ohm",),
    Kind.HUMIDITY: ("%",),
    Kind.TEMPERATURE: ("Cel",),
    Kind.LEVEL: ("mm", "mV", "V", "mA"),
    Kind.FLOAT: ("1",),
    Kind.FLOW: ("L/min", "Hz", "mV", "V", "mA"),
    Kind.PUMP_CURRENT: ("A", "mA", "mV", "V"),
}
# Standard uncertainty of what a sensor says: in the unit of its kind, and relative to its value.
# Common practice for the sensors such rigs use; a reference resistor is judged by its meter.
_SENSOR_UNCERTAINTY = {
    Kind.REFERENCE: (0.0, 0.005),
    Kind.HUMIDITY: (1.0, 0.0),
    Kind.TEMPERATURE: (0.25, 0.0),
    Kind.LEVEL: (1.0, 0.0),
    Kind.FLOAT: (0.0, 0.0),
    Kind.FLOW: (0.02, 0.03),
    Kind.PUMP_CURRENT: (0.02, 0.02),
}
# Kinds whose value is a straight line of what the sensor gives.
_LINEAR = (Kind.LEVEL, *PUMP)

# degC: a trial on one species went from -10 to 40 (Daouk et al. 2021, abstract), and frozen wood is
# no wood a pair of pins can measure (from memory).
_CORRECTED = (0.0, 40.0)
# From where the leads may have as much of the conductance as the wood, nobody knows what it has.
_HALF_LEAK = 0.5  # of the insulation

ABSENT = {
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


_REACH: Mapping[Reach, Reason] = {
    Reach.WITHIN: Reason.NONE,
    Reach.DRIER: Reason.DRIER_THAN_CURVE,
    Reach.WETTER: Reason.WETTER_THAN_CURVE,
}


class Judged(NamedTuple):
    """A moisture content with its judgement; NaN stands for "none"."""

    value: float
    uncertainty: float
    flag: Flag
    reason: Reason


def judged_moisture(
    ohm: float,
    temperature: float | None,
    curve: PreparedCurve,
    budget: Budget,
    *,
    most: float | None = None,
) -> Judged:
    """Judge a resistance and convert it as far as it can be.

    A short, which soaked wood looks like, is suspect and counts as wet; what lies beyond the curve
    passes as its end, with the reason saying that it is only a bound. An open circuit fails and
    has no value. A meter's overload is an open circuit if the meter could have measured wood as
    dry as the curve goes; one that reaches less far may have met dry wood, and the value is at
    most what its range says. So it is where leakage may have half of the conductance or more,
    unless that looks wetter than the curve: then nothing can be said.

    Parameters
    ----------
    ohm, temperature, curve, budget
        As for `moisture_content`; without a temperature nothing is converted.
    most : float or None
        The largest resistance the meter can measure, Ohm, if that is known.

    Raises
    ------
    PhysicsError
        The temperature is outside its range.
    """
    flag, reason = gross_range(ohm, Kind.PINS)
    if ohm >= OVERLOAD or (most is not None and ohm > most):
        if most is None:
            return Judged(nan, nan, Flag.FAIL, Reason.OVER_RANGE)
        if most >= 10 ** (curve.dry_end if temperature is None else curve.dry_end_at(temperature)):
            return Judged(nan, nan, Flag.FAIL, Reason.OPEN_CIRCUIT)
        ohm, flag, reason = most, Flag.SUSPECT, Reason.OVER_RANGE
    elif most is not None and reason is Reason.OPEN_CIRCUIT:
        # A meter that reaches so far tells wood from no wire where others can't.
        flag, reason = Flag.PASS, Reason.NONE
    if flag in (Flag.FAIL, Flag.MISSING):
        return Judged(nan, nan, flag, reason)
    if temperature is None:
        return Judged(nan, nan, Flag.NOT_EVALUATED, Reason.NO_TEMPERATURE)
    # A dead short reads 0 Ohm or a little less; its logarithm does not exist, its wetness does.
    found = moisture_content(max(ohm, 1.0), temperature, curve, budget)
    if ohm >= _HALF_LEAK * budget.insulation:
        if found.reach is Reach.WETTER:
            return Judged(nan, nan, Flag.NOT_EVALUATED, Reason.MAY_BE_LEAKAGE)
        if flag is Flag.PASS and found.reach is Reach.WITHIN:
            flag, reason = Flag.SUSPECT, Reason.MAY_BE_LEAKAGE
    if flag is Flag.PASS:
        reason = _REACH[found.reach]
        coldest, warmest = _tried(curve.curve)
        if not coldest <= temperature <= warmest:
            flag = Flag.SUSPECT
            reason = reason or Reason.UNTRIED_TEMPERATURE
    return Judged(found.value, found.uncertainty, flag, reason)


def _tried(curve: Curve) -> tuple[float, float]:
    """From where to where a curve's correction, or its lack of one, was tried, degC.

    Temperatures that fitting calls one are one here too.
    """
    if curve.correction is not Correction.NONE:
        return _CORRECTED
    return curve.reference_temperature - SPREAD, curve.reference_temperature + SPREAD


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
        buses = {bus.name: bus for bus in rig.buses}
        self._most = {probe.name: buses[probe.bus].most for probe in rig.probes}
        self._budgets = {
            probe.name: Budget(
                meter=buses[probe.bus].accuracy, insulation=buses[probe.bus].insulation
            )
            for probe in rig.probes
        }
        # A temperature stands for the wood's until three of its polls have been missed.
        self._patience = {
            probe.name: 3 * probe.record + 60
            for probe in rig.probes
            if probe.kind is Kind.TEMPERATURE
        }
        self._temperatures: dict[str, tuple[float, float]] = {}

    def knows(self, probe: str) -> bool:
        """Whether the rig has a probe of that name."""
        return probe in self._probes

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
        value = probe.zero + probe.per_unit * raw if probe.kind in _LINEAR else raw
        flag, reason = loop_range(raw) if _is_loop(probe, sample) else (Flag.PASS, Reason.NONE)
        if flag is not Flag.FAIL:
            sensor = gross_range(value, probe.kind)
            flag, reason = max((flag, reason), sensor, key=lambda judged: judged[0])
        if flag is Flag.FAIL:
            return Converted(raw, sample.unit, nan, nan, flag, reason)
        absolute, relative = _SENSOR_UNCERTAINTY[probe.kind]
        uncertainty = hypot(absolute, relative * value)
        return Converted(raw, sample.unit, value, uncertainty, flag, reason)

    def _pins(self, probe: Probe, sample: Sample | Missing, now: float) -> Converted:
        if isinstance(sample, Missing):
            return _missing(sample)
        if sample.unit not in UNITS[Kind.PINS]:
            return _not_evaluated(sample, Reason.WRONG_UNIT)
        warmth = self._warmth(probe, now)
        found = judged_moisture(
            sample.value,
            None if warmth is None else warmth.temperature,
            self._curves[probe.name],
            self._budget(probe.name, warmth),
            most=self._most[probe.name],
        )
        flag, reason = found.flag, found.reason
        if warmth is not None and warmth.stand_in and flag is Flag.PASS:
            flag = Flag.SUSPECT
            reason = reason or Reason.STAND_IN_TEMPERATURE  # that it is a bound says more
        return Converted(sample.value, sample.unit, found.value, found.uncertainty, flag, reason)

    def _budget(self, probe: str, warmth: Warmth | None) -> Budget:
        """A pair's uncertainties, with its temperature's; made anew only when that has changed."""
        budget = self._budgets[probe]
        if warmth is not None and budget.temperature != warmth.uncertainty:
            budget = self._budgets[probe] = replace(budget, temperature=warmth.uncertainty)
        return budget

    def _warmth(self, probe: Probe, now: float) -> Warmth | None:
        """The temperature of the wood between a pair of pins, or None."""
        warmth = self._measured(probe, probe.temperatures, now) or self._stand_in(probe, now)
        if warmth is None or not COLDEST <= warmth.temperature <= WARMEST:
            return None
        return warmth

    def _stand_in(self, probe: Probe, now: float) -> Warmth | None:
        plan = probe.stand_in
        if plan is None:
            return None
        if plan.fixed is not None:
            return Warmth(plan.fixed, plan.uncertainty, stand_in=True)
        if plan.probe is not None:
            found = self._measured(probe, (plan.probe,), now)
        else:
            hold = 3600 * (plan.last_good or 0.0)
            found = self._measured(probe, probe.temperatures, now, patience=hold)
        if found is None:
            return None
        doubt = hypot(found.uncertainty, plan.uncertainty)
        return Warmth(found.temperature, doubt, stand_in=True)

    def _measured(
        self, probe: Probe, names: Sequence[str], now: float, *, patience: float | None = None
    ) -> Warmth | None:
        """What thermometers say of the pins' depth; None unless all of them are fresh enough."""
        temperatures = []
        for name in names:
            value, at = self._temperatures.get(name, (0.0, -inf))
            if now - at > (self._patience.get(name, 0.0) if patience is None else patience):
                return None
            temperatures.append(value)
        depths = [self._probes[name].depth for name in names]
        return by_depth(probe.depth, depths, temperatures) if names else None


def _is_loop(probe: Probe, sample: Sample) -> bool:
    """Whether a current is a transmitter's, 4-20 mA, and not the one that is measured itself.

    A loop at 4 mA says "nothing", so that its straight line misses 0 mA by that much. A pump's
    current that is nothing at 0 mA comes from a shunt or a clamp.
    """
    return sample.unit == "mA" and not (probe.kind is Kind.PUMP_CURRENT and probe.zero == 0)


def _missing(missing: Missing) -> Converted:
    return Converted(nan, "", nan, nan, Flag.MISSING, ABSENT[missing.why])


def _not_evaluated(sample: Sample, reason: Reason) -> Converted:
    return Converted(sample.value, sample.unit, nan, nan, Flag.NOT_EVALUATED, reason)
