"""What goes wrong with one sensor, and what its instrument then reads.

All of it is physical, or the electronics' own; nothing here knows how a fault is found.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf

from longsoak_demo.events import Kind
from longsoak_demo.wood import resistance

DAY = 86_400.0
OPEN_WIRE = inf
_SHORTED = 400.0  # Ohm, through a wet plug with salt in it
_SOAKS_IN = 4.0 * DAY  # how long water takes into a plug, to 63 %
_CORRODES_IN = 6.0 * DAY  # how long one of two electrodes takes to lose its skin, to 63 %
_DRIEST = 5.0  # % of dry mass: no shift makes wood drier


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of one probe, from `began` on, s of simulated time.

    `amount` is in the probe's unit (pins: % of dry mass), and of a creep per 30 days; of noise of
    pins a share of their resistance, of a leakage Ohm, of a gain % of the resistance per 30 days,
    of a polarisation mV.
    """

    kind: Kind
    began: float
    amount: float = 0.0

    def offset(self, time: float) -> float:
        """What is added to what there is, in the probe's unit."""
        if self.kind is Kind.STEP:
            return self.amount
        if self.kind is Kind.CREEP:
            return self.amount * (time - self.began) / (30 * DAY)
        return 0.0

    def gain(self, time: float) -> float:
        """What a front end multiplies a resistance by."""
        if self.kind is Kind.GAIN:
            return 1 + self.amount / 100 * (time - self.began) / (30 * DAY)
        return 1.0

    def voltage(self, time: float) -> float:
        """What a pair of pins makes by itself beyond what it always does, mV."""
        if self.kind is Kind.POLARISATION:
            return self.amount * (1 - exp(-(time - self.began) / _CORRODES_IN))
        return 0.0

    def beside(self, time: float) -> float:
        """Resistance that lies beside the pins, Ohm."""
        if self.kind is Kind.SHORT:
            return _SHORTED
        if self.kind is Kind.LEAKAGE:
            return self.amount / max(1 - exp(-(time - self.began) / _SOAKS_IN), 1e-9)
        return inf


def pins(
    moisture: float,
    temperature: float,
    faults: Sequence[Fault],
    *,
    noise: float,
    jitter: float,
    time: float,
) -> float:
    """What a meter reads of a pair of pins, Ohm.

    Parameters
    ----------
    moisture, temperature : float
        Of the wood, % of dry mass and degC.
    faults : sequence of Fault
        Those of the pair, all of them begun.
    noise : float
        The instrument's own, a share of the resistance.
    jitter : float
        A draw from the standard normal distribution, for a contact that wavers.
    time : float
        Simulated time, s.
    """
    if any(fault.kind is Kind.OPEN_WIRE for fault in faults):
        return OPEN_WIRE
    shifted = max(moisture + sum(fault.offset(time) for fault in faults), _DRIEST)
    siemens = 1 / resistance(shifted, temperature)
    for fault in faults:
        if fault.kind is Kind.NOISE:
            siemens *= exp(fault.amount * jitter)
        siemens += 1 / fault.beside(time)
    return metered(1 / siemens, faults, noise=noise, time=time)


def other(
    truth: float, faults: Sequence[Fault], *, noise: float, jitter: float, time: float
) -> float:
    """What any other instrument reads; `truth` and `noise` in its unit, the rest as for pins."""
    shift = sum(fault.offset(time) for fault in faults)
    loose = sum(fault.amount * jitter for fault in faults if fault.kind is Kind.NOISE)
    return truth + shift + noise + loose


def metered(truth: float, faults: Sequence[Fault], *, noise: float, time: float) -> float:
    """What a meter reads of a resistance, Ohm."""
    ohm = truth * (1 + noise)
    for fault in faults:
        ohm *= fault.gain(time)
    return ohm
