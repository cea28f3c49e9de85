"""What is expected of each kind of probe. Pure.

These are this project's own choices, wide enough for a healthy rig of the kind the demo simulates
(tests/bench/detection.py shows what they find and how often they are wrong).
"""

from dataclasses import dataclass

from longsoak.vocabulary.rig import Kind

DAY = 86_400.0  # s
DAY_MS = 86_400_000
FLAT = DAY  # s: no sensor that works gives one and the same raw value for a day


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of one kind of probe, in the unit of its kind.

    `step` and `rate` (a second) are how far a reading may be from the one before, added up;
    `spike` how far from both beside it; `apart` what a change that its neighbours do not show must
    come to before it is told, and `creep` what it may be each day beyond; `noise` the least that
    counts as noise. `flat` is how long one and the same raw value is no wonder, s.
    """

    step: float
    rate: float
    spike: float
    apart: float
    creep: float
    noise: float
    flat: float = FLAT


LIMITS = {
    Kind.PINS: Limits(1.0, 3 / 900, 1.5, 0.5, 0.004, 0.03),
    Kind.HUMIDITY: Limits(5.0, 10 / 900, 6.0, 1.5, 0.012, 0.15),
    Kind.TEMPERATURE: Limits(1.0, 5 / 900, 1.5, 0.75, 0.01, 0.05),
}
# Pins, % MC: what a pair gets wetter by within days, beyond its neighbours and what it did before.
# The least is for where it is quiet, the most for where it never is; between them it is as much as
# changes of slope came to in the weeks before.
SOAKS = 0.22, 0.38
# Pins, % MC: what a pair is wetter by than one nearer to the wet face, and for how many days.
WICKS, WICKS_DAYS = 2.0, 2
# What the two polarities of a pair differ by, mV: what its days may move by without counting, what
# they must come to before it is told, and how much is too much from the first.
POLARISED_ALLOWANCE, POLARISED_DECISION, POLARISED = 20.0, 60.0, 300.0
# A reference resistor, in % of its nominal value: what its days may be off without counting, and
# what they must come to before it is told.
REFERENCE_ALLOWANCE, REFERENCE_DECISION = 0.1, 0.6
# The same for what is too little for that and lasts: weight of a day, width, standard deviation.
REFERENCE_LASTING = 0.1, 3.0, 0.2
