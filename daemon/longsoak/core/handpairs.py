"""Which embedded pins a place read by hand belongs to, and its value on their scale. Pure."""

from collections.abc import Iterable
from functools import lru_cache

from longsoak.core.handplaces import HandReading, apart, seat_of
from longsoak.core.handreadings import Place, scale_key
from longsoak.core.indication import COLDEST, WARMEST
from longsoak.core.resistance import PreparedCurve, Reach, moisture_content, prepare, resistance
from longsoak.vocabulary.curve import Curve
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.handrule import HandRule
from longsoak.vocabulary.rig import Kind, Probe, Quantity, Rig

_SLACK = 1e-6  # mm: what is no nearer than that is as near


def pins_at(reading: HandReading, rig: Rig, *, depth: float, height: float) -> list[Probe] | str:
    """The embedded pins at a place read by hand; or why there are none, in words.

    Those in the same bay at the same depth, of these the ones nearest in height, or of a specimen
    that lies nearest across; as often as not it is one. Pins in a dowel read another thing.

    Parameters
    ----------
    reading : HandReading
        Whose place it is.
    rig : Rig
        As it stood then.
    depth, height : float
        How far off they may be, mm, from the wet face and along it.
    """
    place, lies = reading.place, rig.specimen.lies
    seats = [
        (probe, seat)
        for probe in rig.probes
        if probe.kind is Kind.PINS
        and probe.bay == reading.bay
        and (seat := seat_of(probe)) is not None
    ]
    if not seats:
        return f"{reading.bay} has no embedded pins"
    deep = [both for both in seats if abs(both[1].depth - place.depth) <= depth + _SLACK]
    if not deep:
        probe, seat = min(seats, key=lambda both: abs(both[1].depth - place.depth))
        return (
            f"no embedded pins within {depth:g} mm of its depth; the nearest, {probe.name}, are "
            f"{seat.depth:g} mm deep"
        )
    wood = [both for both in deep if both[0].quantity is not Quantity.DOWEL]
    if not wood:
        return f"{deep[0][0].name} sit in a dowel, and a hand meter's pins do not"
    if lies and place.across is None:
        return "how far across it was taken is not told"

    def along(both: tuple[Probe, Place]) -> float:
        seat = both[1]
        if not lies:
            return abs(seat.height - place.height)
        return abs((seat.across or 0.0) - (place.across or 0.0))

    least = min(map(along, wood))
    if least > height + _SLACK:
        probe, _ = min(wood, key=along)
        way = "across" if lies else "higher or lower"
        return (
            f"no embedded pins of its depth within {height:g} mm; the nearest, {probe.name}, are "
            f"{least:.0f} mm {way}"
        )
    near = [both for both in wood if along(both) <= least + _SLACK]
    offs = [apart(place, seat) for _, seat in near]
    return [p for (p, _), off in zip(near, offs, strict=True) if off <= min(offs) + _SLACK]


def on_scale(
    reading: HandReading, probe: Probe, rig: Rig, rule: HandRule | None, *, temperature: float
) -> float | str:
    """What a hand meter showed, in % on the scale of embedded pins; or why it can't be told.

    A resistance is read by the pins' own curve. A value in % is taken back to the resistance it
    stands for, by the curve that its scale is and at the temperature the meter was set to, and
    read by the pins' curve from there.

    Parameters
    ----------
    reading : HandReading
        No bound.
    probe : Probe
        Pins of `rig` with a curve.
    rig : Rig
        As it stood then.
    rule : HandRule or None
        Which curves scales are, where that is declared.
    temperature : float
        Of the wood, degC.
    """
    if not COLDEST <= temperature <= WARMEST:
        return f"the wood was at {temperature:g} °C, where no curve holds"
    if probe.curve is None or probe.curve not in rig.curves:
        return f"{probe.name} has no curve"
    ohm = reading.shown.value
    if reading.shown.unit == "%":
        told = _ohm_of(reading, rig, rule)
        if isinstance(told, str):
            return told
        ohm = told
    found = moisture_content(ohm, temperature, _prepared(rig.curves[probe.curve]))
    if found.reach is not Reach.WITHIN:
        return f"it is {found.reach.value}, {probe.curve}: a bound, and no value"
    return found.value


def _ohm_of(reading: HandReading, rig: Rig, rule: HandRule | None) -> float | str:
    """The resistance behind a value in %, or why it can't be told."""
    setting = reading.setting
    name = curve_called(setting.scale, rig.curves, rule)
    if name is None:
        return (
            f"nothing says which curve its scale, {setting.scale}, is: write it under "
            "[hand_readings.scales]"
        )
    at = setting.correction_temperature
    if at is None:
        return "the temperature its meter was set to is not told"
    if not COLDEST <= at <= WARMEST:
        return f"its meter was set to {at:g} °C, where no curve holds"
    try:
        return resistance(reading.shown.value, at, _prepared(rig.curves[name]))
    except PhysicsError:
        return f"{reading.shown.words} lies beyond the ends of the curve of its scale, {name}"


def curve_called(scale: str, curves: Iterable[str], rule: HandRule | None) -> str | None:
    """The curve that a meter's scale is, as declared or by its own name; None if nothing says."""
    declared = {} if rule is None else rule.scales
    wanted = scale_key(scale)
    if wanted in declared:
        return declared[wanted]
    return next((name for name in curves if scale_key(name) == wanted), None)


@lru_cache(maxsize=64)
def _prepared(curve: Curve) -> PreparedCurve:
    return prepare(curve)
