"""How readings by hand are held against embedded pins, as the rig file declares it beforehand."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

# How far a place read by hand may be from embedded pins and still count as theirs, mm. A hand
# finds a depth to a few millimetres. New holes keep 20 mm off old ones, so that a place beside the
# pins is that far off at least. Common practice.
DEPTH_WITHIN = 5.0
HEIGHT_WITHIN = 30.0


class Wins(StrEnum):
    """Which value counts where the two differ; the values are the words of the rig file."""

    HAND = "hand"
    EMBEDDED = "embedded"
    NEITHER = "neither"


@dataclass(frozen=True, slots=True)
class HandRule:
    """What is declared of readings by hand.

    Two that differ by up to `tolerance`, % MC, agree. A place is that of embedded pins up to
    `depth_within` and `height_within` mm from them. `scales` says which curve a meter's scale is,
    by what people call that scale.
    """

    wins: Wins
    tolerance: float
    depth_within: float = DEPTH_WITHIN
    height_within: float = HEIGHT_WITHIN
    scales: Mapping[str, str] = field(default_factory=dict)
