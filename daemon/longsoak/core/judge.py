"""Quality flags of single readings: can the sensor give such a value at all. Pure.

The test is QARTOD's gross range: outside the fail span the reading fails, outside the suspect span
it is suspect, on a bound it passes. A reading that looks too wet is never failed by this alone:
water in a crack looks exactly like a short circuit.
"""

from dataclasses import dataclass
from math import inf, isnan

from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.rig import Kind

# Instruments say "more than I can measure" with 9.9E37 (SCPI-99, from memory), and so do our own
# dividers; no resistance of wood or wire comes near it.
OVERLOAD = 9e37  # Ohm
SATURATED = 98.0  # % RH; common practice


@dataclass(frozen=True, slots=True)
class Span:
    """Bounds of one kind of probe, in the unit of its converted value (pins: Ohm).

    `suspect` lies within `fail`. `below` and `above` say what leaving the span at either end means,
    `nearly` what being above `suspect` alone does, where that is something else.
    """

    fail: tuple[float, float]
    suspect: tuple[float, float]
    below: Reason = Reason.OUT_OF_RANGE
    above: Reason = Reason.OUT_OF_RANGE
    nearly: Reason | None = None


# Common practice, except where a reason is given.
SPANS = {
    # Under 10 kOhm is a short or soaked wood; over 100 GOhm no meter tells wood from no wire unless
    # it is declared to reach further: see `longsoak.core.convert.judged_moisture`.
    Kind.PINS: Span((-inf, 1e11), (1e4, 1e11), Reason.SHORT_CIRCUIT, Reason.OPEN_CIRCUIT),
    Kind.REFERENCE: Span((1.0, 1e11), (1.0, 1e11), Reason.SHORT_CIRCUIT, Reason.OPEN_CIRCUIT),
    # At 98 % a capacitive sensor is saturated: it reads what it likes, and stays there for hours.
    Kind.HUMIDITY: Span((0.0, 105.0), (1.0, SATURATED), nearly=Reason.SATURATED),
    # 85.00 and 127.94 degC are what a 1-Wire thermometer says at power-up and when underfed.
    Kind.TEMPERATURE: Span((-40.0, 80.0), (-20.0, 60.0)),
    Kind.LEVEL: Span((-50.0, 2000.0), (-5.0, 2000.0)),
    Kind.FLOAT: Span((0.0, 1.0), (0.0, 1.0)),
    # A meter at rest may read a little less than nothing; a pump bigger than this is no rig's.
    Kind.FLOW: Span((-5.0, 500.0), (-0.5, 200.0)),
    Kind.PUMP_CURRENT: Span((-1.0, 50.0), (-0.2, 25.0)),
    # No two metals in wet wood make more than a volt or two between them.
    Kind.POLARISATION: Span((-3000.0, 3000.0), (-1000.0, 1000.0)),
    # A specimen of wall with its frame; less than nothing is a platform that was not zeroed.
    Kind.SCALE: Span((-100.0, 20_000.0), (-5.0, 20_000.0)),
    # Fresh water to brine; less than nothing is a probe that hangs in the air.
    Kind.CONDUCTIVITY: Span((-50.0, 200_000.0), (0.0, 100_000.0)),
    Kind.PH: Span((-1.0, 15.0), (0.0, 14.0)),
    Kind.BUTTON: Span((0.0, 1.0), (0.0, 1.0)),
}
# mA: what a 4-20 mA transmitter may say within its measurement, and where it tells a fault.
# NAMUR NE 43, second hand; sources differ on whether a fault begins at 3.6 and 21.0 or beyond
# them: at them is the careful reading.
LOOP_MEASURES = (3.8, 20.5)
LOOP_FAULT = (3.6, 21.0)


_PASSES = Flag.PASS, Reason.NONE


def gross_range(value: float, kind: Kind) -> tuple[Flag, Reason]:
    """Judge one value against its kind's spans.

    Parameters
    ----------
    value : float
        In the unit of the kind's span. NaN is "not there" and comes back as missing.
    kind : Kind
        The kind of probe.
    """
    span = SPANS[kind]
    low, high = span.suspect
    if low <= value <= high:  # what nearly every look comes to; false for NaN
        return _PASSES
    if isnan(value):
        return Flag.MISSING, Reason.NO_ANSWER
    for (low, high), flag in ((span.fail, Flag.FAIL), (span.suspect, Flag.SUSPECT)):
        if value < low:
            return flag, span.below
        if value > high:
            return flag, span.nearly if span.nearly and flag is Flag.SUSPECT else span.above
    return Flag.PASS, Reason.NONE


def loop_range(milliampere: float) -> tuple[Flag, Reason]:
    """Judge the current of a 4-20 mA loop before it is taken for a value.

    Between what it may measure and a fault it is saturated: suspect, for the truth lies beyond.

    Parameters
    ----------
    milliampere : float
        The loop's current, mA.

    References
    ----------
    NAMUR NE 43, second hand.
    """
    low, high = LOOP_FAULT
    if not low < milliampere < high:
        return Flag.FAIL, Reason.LOOP_FAULT
    low, high = LOOP_MEASURES
    if not low <= milliampere <= high:
        return Flag.SUSPECT, Reason.OUT_OF_RANGE
    return Flag.PASS, Reason.NONE
