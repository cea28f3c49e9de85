"""Raw samples of one scan to values, uncertainties and flags, as parallel tuples. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import hypot, inf, nan
from typing import NamedTuple

from longsoak.core.indication import COLDEST, WARMEST
from longsoak.core.judge import OVERLOAD, SPANS, gross_range, loop_range
from longsoak.core.resistance import (
    Budget,
    PreparedCurve,
    Reach,
    Wood,
    prepare,
)
from longsoak.core.warmth import Warmth, by_depth
from longsoak.core.water.warmed import is_warmed, warmed
from longsoak.vocabulary.curve import SPREAD, Correction, Curve
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
    Kind.POLARISATION: ("mV",),
    Kind.SCALE: ("kg", "mV", "V", "mA"),
    Kind.CONDUCTIVITY: ("uS/cm", "mV", "V", "mA"),
    Kind.PH: ("[pH]", "mV", "V", "mA"),
    Kind.BUTTON: ("1",),
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
    Kind.POLARISATION: (5.0, 0.02),
    Kind.SCALE: (0.1, 0.0005),
    Kind.CONDUCTIVITY: (2.0, 0.02),
    Kind.PH: (0.1, 0.0),
    Kind.BUTTON: (0.0, 0.0),
}
# Kinds whose value is a straight line of what the sensor gives.
_LINEAR = (Kind.LEVEL, *PUMP, Kind.SCALE, Kind.CONDUCTIVITY, Kind.PH)

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


# A reading as the service takes it: what is in `Converted`, which takes longer to make.
Row = tuple[float, str, float, float, Flag, Reason]

# A probe, its last good temperature in degC, and when that was read, CLOCK_BOOTTIME in s.
Remembered = Mapping[str, tuple[Probe, float, float]]

# Looked up once: an enumeration takes longer to name a member than a few multiplications do.
_PASS, _SUSPECT, _FAIL, _MISSING = Flag.PASS, Flag.SUSPECT, Flag.FAIL, Flag.MISSING
_NONE, _OPEN_CIRCUIT = Reason.NONE, Reason.OPEN_CIRCUIT
_PINS, _WITHIN = Kind.PINS, Reach.WITHIN
_OHM = "Ohm"  # of pins, and nothing else
_NEVER = 0.0, -inf  # degC, s
_WAVERING = 16  # temperatures of a site that are kept ready
_NOWHERE = inf, -inf  # Ohm

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
    warmth = None if temperature is None else Warmth(temperature, budget.temperature)
    return Judged(*_Pins(warmth, curve, budget, most=most).row(ohm)[2:])


class _Pins:
    """Pairs of pins in wood of one temperature, on one meter: see `judged_moisture`."""

    __slots__ = (
        "_budget",
        "_curve",
        "_half_leak",
        "_most",
        "_ordinary",
        "_tried",
        "_warmth",
        "_wood",
    )

    def __init__(
        self,
        warmth: Warmth | None,
        curve: PreparedCurve,
        budget: Budget,
        *,
        most: float | None,
    ) -> None:
        self._warmth, self._curve, self._budget, self._most = warmth, curve, budget, most
        self._half_leak = _HALF_LEAK * budget.insulation
        self._wood: Wood | None = None  # made for the first resistance that can be converted
        self._tried = True
        # From where to where a resistance is judged by what it converts to alone.
        self._ordinary = _NOWHERE

    def row(self, ohm: float) -> Row:
        """Judge and convert one resistance."""
        low, high = self._ordinary
        if low <= ohm < high and (wood := self._wood) is not None:
            # What nearly every reading comes to; `_judged` says the same at length.
            value, uncertainty, reach = wood.moisture(ohm)
            if reach is _WITHIN:
                return ohm, _OHM, value, uncertainty, _PASS, _NONE
        return ohm, _OHM, *self._judged(ohm)

    def _judged(self, ohm: float) -> tuple[float, float, Flag, Reason]:
        most = self._most
        flag, reason = gross_range(ohm, _PINS)
        if ohm >= OVERLOAD or (most is not None and ohm > most):
            if most is None:
                return nan, nan, _FAIL, Reason.OVER_RANGE
            if most >= 10 ** self._dry_end():
                return nan, nan, _FAIL, Reason.OPEN_CIRCUIT
            ohm, flag, reason = most, _SUSPECT, Reason.OVER_RANGE
        elif most is not None and reason is _OPEN_CIRCUIT:
            # A meter that reaches so far tells wood from no wire where others can't.
            flag, reason = _PASS, _NONE
        if flag is _FAIL or flag is _MISSING:
            return nan, nan, flag, reason
        wood = self._wood
        if wood is None:
            if self._warmth is None:
                return nan, nan, Flag.NOT_EVALUATED, Reason.NO_TEMPERATURE
            temperature, doubt, stand_in = self._warmth
            wood = self._wood = Wood(temperature, self._curve, self._budget, doubt=doubt)
            coldest, warmest = _tried(self._curve.curve)
            self._tried = coldest <= temperature <= warmest
            if self._tried and not stand_in:
                low, high = SPANS[_PINS].suspect
                self._ordinary = (
                    low,
                    min(high, OVERLOAD, self._half_leak, inf if most is None else most),
                )
        # A dead short reads 0 Ohm or a little less; its logarithm does not exist, its wetness does.
        value, uncertainty, reach = wood.moisture(ohm if flag is _PASS else max(ohm, 1.0))
        if ohm >= self._half_leak:
            if reach is Reach.WETTER:
                return nan, nan, Flag.NOT_EVALUATED, Reason.MAY_BE_LEAKAGE
            if flag is _PASS and reach is _WITHIN:
                flag, reason = _SUSPECT, Reason.MAY_BE_LEAKAGE
        if flag is _PASS:
            if reach is not _WITHIN:
                reason = _REACH[reach]  # that it is a bound says more than what follows
            if not self._tried:
                flag, reason = _SUSPECT, reason or Reason.UNTRIED_TEMPERATURE
            elif self._warmth is not None and self._warmth.stand_in:
                flag, reason = _SUSPECT, reason or Reason.STAND_IN_TEMPERATURE
        return value, uncertainty, flag, reason

    def _dry_end(self) -> float:
        curve, warmth = self._curve, self._warmth
        return curve.dry_end if warmth is None else curve.dry_end_at(warmth.temperature)


def _tried(curve: Curve) -> tuple[float, float]:
    """From where to where a curve's correction, or its lack of one, was tried, degC.

    Temperatures that fitting calls one are one here too.
    """
    if curve.correction is not Correction.NONE:
        return _CORRECTED
    return curve.reference_temperature - SPREAD, curve.reference_temperature + SPREAD


@dataclass(slots=True, eq=False)
class _Site:
    """Where pairs of pins are judged alike: at one depth, by the same thermometers and meter."""

    probe: Probe  # any of them
    curve: PreparedCurve
    budget: Budget
    most: float | None
    # By what thermometers read, degC, or by the warmth that stands in for it: they waver between a
    # few values for hours.
    made: dict[tuple[float, ...] | None, _Pins] = field(default_factory=dict)

    def remember(self, found: tuple[float, ...] | None, warmth: Warmth | None) -> _Pins:
        """Make what judges at a temperature, and keep it with the few that were met last."""
        if len(self.made) >= _WAVERING:
            self.made.clear()
        pins = self.made[found] = _Pins(warmth, self.curve, self.budget, most=self.most)
        return pins


@dataclass(frozen=True, slots=True)
class _Plan:
    """Which conversion each sample of a scan needs, by its place among them."""

    plain: list[tuple[int, Probe]]
    pins: list[tuple[tuple[str, ...], list[tuple[_Site, list[int]]]]]  # by their thermometers


_NOT_YET: Row = nan, "", nan, nan, _MISSING, _NONE
_PLANS = 256  # a bus that is cut short over and over brings ever other probes


class Conversion:
    """The conversions of one rig, prepared once.

    Its memory is the last good temperature of each probe that corrects another; everything else
    is a function of the samples.
    """

    def __init__(self, rig: Rig) -> None:
        curves = {name: prepare(curve) for name, curve in rig.curves.items()}
        buses = {bus.name: bus for bus in rig.buses}
        self._probes = {probe.name: probe for probe in rig.probes}
        self._plans: dict[tuple[str, ...], _Plan] = {}  # by the probes of a scan
        self._sites: dict[str, _Site] = {}
        alike: dict[tuple[object, ...], _Site] = {}
        for probe in rig.probes:
            if probe.kind is Kind.PINS and probe.curve is not None:
                bus = buses[probe.bus]
                self._sites[probe.name] = alike.setdefault(
                    (probe.depth, probe.temperatures, probe.stand_in, probe.curve, probe.bus),
                    _Site(
                        probe,
                        curves[probe.curve],
                        Budget(meter=bus.accuracy, insulation=bus.insulation),
                        bus.most,
                    ),
                )
        # A temperature stands for the wood's until three of its polls have been missed.
        self._patience = {
            probe.name: 3 * probe.record + 60
            for probe in rig.probes
            if probe.kind is Kind.TEMPERATURE
        }
        self._temperatures: dict[str, tuple[float, float]] = {}
        self._warmed = {probe.name for probe in rig.probes if is_warmed(probe)}

    @property
    def remembered(self) -> Remembered:
        """The last good temperature of each probe that corrects another, by the probe's name."""
        return {name: (self._probes[name], *read) for name, read in self._temperatures.items()}

    def go_on_from(self, remembered: Remembered) -> frozenset[str]:
        """Take over what another conversion remembers of probes that are the same; their names."""
        same = {
            name: (value, at)
            for name, (probe, value, at) in remembered.items()
            if self._probes.get(name) == probe
        }
        self._temperatures |= same
        return frozenset(same)

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
        return [Converted(*row) for row in self.rows(samples, now=now)]

    def rows(self, samples: Sequence[Sample | Missing], *, now: float) -> list[Row]:
        """The same as `convert`, for every scan there is: without an object for each reading."""
        plan = self._plan(samples)
        rows: list[Row] = [_NOT_YET] * len(samples)
        for place, probe in plan.plain:  # first, so that a scan's own temperatures serve it
            rows[place] = row = self._plain(probe, samples[place], now)
            if row[4] is _PASS and probe.name in self._patience:
                self._temperatures[probe.name] = (row[2], now)
        for names, sites in plan.pins:
            read = self._read(names, now)
            for site, places in sites:
                row_of = self._pins(site, read, now).row
                for place in places:
                    sample = samples[place]
                    if isinstance(sample, Missing):
                        rows[place] = _missing(sample)
                    elif sample.unit == _OHM:
                        rows[place] = row_of(sample.value)
                    else:
                        rows[place] = _not_evaluated(sample, Reason.WRONG_UNIT)
        return rows

    def _plan(self, samples: Sequence[Sample | Missing]) -> _Plan:
        """How to convert samples of these probes: a bus brings the same ones again and again."""
        names = tuple([sample.probe for sample in samples])
        plan = self._plans.get(names)
        if plan is None:
            if len(self._plans) >= _PLANS:
                self._plans.clear()
            plain: list[tuple[int, Probe]] = []
            pins: dict[_Site, list[int]] = {}
            for place, name in enumerate(names):
                site = self._sites.get(name)
                if site is None:
                    plain.append((place, self._probes[name]))
                else:
                    pins.setdefault(site, []).append(place)
            plain.sort(key=lambda part: part[1].name in self._warmed)  # what warms them comes first
            alike: dict[tuple[str, ...], list[tuple[_Site, list[int]]]] = {}
            for site, places in pins.items():
                alike.setdefault(site.probe.temperatures, []).append((site, places))
            plan = self._plans[names] = _Plan(plain, list(alike.items()))
        return plan

    def _plain(self, probe: Probe, sample: Sample | Missing, now: float) -> Row:
        if isinstance(sample, Missing):
            return _missing(sample)
        raw = sample.value
        if sample.unit not in UNITS[probe.kind]:
            return _not_evaluated(sample, Reason.WRONG_UNIT)
        value = probe.zero + probe.per_unit * raw if probe.kind in _LINEAR else raw
        flag, reason = loop_range(raw) if _is_loop(probe, sample) else (_PASS, _NONE)
        if flag is not _FAIL:
            sensor, why = gross_range(value, probe.kind)
            if sensor > flag:
                flag, reason = sensor, why
        if flag is _FAIL:
            return raw, sample.unit, nan, nan, flag, reason
        absolute, relative = _SENSOR_UNCERTAINTY[probe.kind]
        uncertainty = probe.uncertainty or hypot(absolute, relative * value)
        if probe.name in self._warmed:
            read = self._read(probe.temperatures, now)
            value, uncertainty, matters = warmed(
                probe, value, nan if read is None else read[0], uncertainty=uncertainty
            )
            if matters and flag is _PASS:
                flag, reason = _SUSPECT, Reason.NO_TEMPERATURE
        return raw, sample.unit, value, uncertainty, flag, reason

    def _pins(self, site: _Site, read: tuple[float, ...] | None, now: float) -> _Pins:
        """A site's pins at the temperature the wood has there now, its thermometers reading so."""
        probe = site.probe
        if read is not None and (pins := site.made.get(read)) is not None:
            return pins  # the thermometers say what they said before
        warmth = self._at_depth(probe, probe.temperatures, read) or self._stand_in(probe, now)
        if warmth is not None and not COLDEST <= warmth.temperature <= WARMEST:
            warmth = None
        found = warmth if read is None else read
        return site.made.get(found) or site.remember(found, warmth)

    def _stand_in(self, probe: Probe, now: float) -> Warmth | None:
        """What stands for a temperature that is not measured."""
        plan = probe.stand_in
        if plan is None:
            return None
        if plan.fixed is not None:
            return Warmth(plan.fixed, plan.uncertainty, stand_in=True)
        if plan.probe is not None:
            other = (plan.probe,)
            found = self._at_depth(probe, other, self._read(other, now))
        else:
            own, hold = probe.temperatures, 3600 * (plan.last_good or 0.0)
            found = self._at_depth(probe, own, self._read(own, now, patience=hold))
        if found is None:
            return None
        doubt = hypot(found.uncertainty, plan.uncertainty)
        return Warmth(found.temperature, doubt, stand_in=True)

    def _at_depth(
        self, probe: Probe, names: tuple[str, ...], read: tuple[float, ...] | None
    ) -> Warmth | None:
        """What thermometers say of the depth between a pair of pins, if they say anything."""
        if read is None:
            return None
        return by_depth(probe.depth, [self._probes[name].depth for name in names], read)

    def _read(
        self, names: tuple[str, ...], now: float, *, patience: float | None = None
    ) -> tuple[float, ...] | None:
        """What thermometers read, degC; None if there are none, or one of them is not fresh."""
        read: list[float] = []
        for name in names:
            value, at = self._temperatures.get(name, _NEVER)
            if now - at > (self._patience.get(name, 0.0) if patience is None else patience):
                read.clear()
                break
            read.append(value)
        return tuple(read) or None


def _is_loop(probe: Probe, sample: Sample) -> bool:
    """Whether a current is a transmitter's, 4-20 mA, and not the one that is measured itself.

    A loop at 4 mA says "nothing", so that its straight line misses 0 mA by that much. A pump's
    current that is nothing at 0 mA comes from a shunt or a clamp.
    """
    return sample.unit == "mA" and not (probe.kind is Kind.PUMP_CURRENT and probe.zero == 0)


def _missing(missing: Missing) -> Row:
    return nan, "", nan, nan, Flag.MISSING, ABSENT[missing.why]


def _not_evaluated(sample: Sample, reason: Reason) -> Row:
    return sample.value, sample.unit, nan, nan, Flag.NOT_EVALUATED, reason
