"""What is worked out of months of readings: plain results, put into words elsewhere."""

from dataclasses import dataclass

from longsoak.core.findings.comparison import Comparison
from longsoak.core.findings.decision import Bound
from longsoak.core.findings.hours import HoursAbove
from longsoak.core.findings.settling import Forecast, Settling
from longsoak.core.front import Front
from longsoak.core.phases import Phase
from longsoak.core.uptake import Absorption, Undetermined
from longsoak.core.zones import Spot
from longsoak.vocabulary.rig import LIMIT_UNIT_WORDS, Limit, LimitQuantity


@dataclass(frozen=True, slots=True)
class PlaceMean:
    """What was read at one place over a time; None where too little of it was known."""

    spot: Spot
    value: float | None
    uncertainty: float | None
    bound: Bound

    @property
    def name(self) -> str:
        """The probe's."""
        return self.spot.probes[0]

    @property
    def unit(self) -> str:
        """As a person reads it."""
        return LIMIT_UNIT_WORDS[self.spot.quantity]


@dataclass(frozen=True, slots=True)
class Profile:
    """A bay by depth, averaged over the day before `until_ms`, UTC; `title` names that time."""

    title: str
    bay: str
    from_ms: int
    until_ms: int
    places: tuple[PlaceMean, ...]


@dataclass(frozen=True, slots=True)
class Reached:
    """When the water reached a probe in a phase, h of wetted time since it began.

    `after` is how much later it stood out from what the probe did before. Both are None where it
    has not come, with `why` where that can't be told.
    """

    spot: Spot
    hours: float | None
    after: float | None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Progress:
    """The wetting front through a bay in a phase.

    `unknown_h` are hours of the phase in which nobody knows whether the face was wetted; they count
    as wetted. `stood_h` are those in which it was not, which do not.
    """

    phase: Phase
    bay: str
    reached: tuple[Reached, ...]
    pace: Front | Undetermined
    doubts: tuple[str, ...]
    unknown_h: float
    stood_h: float


@dataclass(frozen=True, slots=True)
class Tendency:
    """Where a probe tends in a phase."""

    phase: Phase
    spot: Spot
    found: Settling | Undetermined


@dataclass(frozen=True, slots=True)
class Outlook:
    """How much longer a phase that goes on has to run until a probe decides a limit on its end."""

    phase: Phase
    limit: Limit
    spot: Spot
    found: Forecast | Undetermined


@dataclass(frozen=True, slots=True)
class Exposure:
    """How long a probe was above a limit's bound in a phase, be that allowed or not."""

    phase: Phase
    limit: Limit
    spot: Spot
    found: HoursAbove


@dataclass(frozen=True, slots=True)
class BayComparison:
    """How far the first bay lies above the second at one depth in a phase.

    `common` is the standard uncertainty that readings of the two do not share with each other, as
    far as is known: it comes on top of what `found` tells by their scatter over time.
    """

    phase: Phase
    first: str
    second: str
    quantity: LimitQuantity
    depth: float
    seats: int
    left_out: tuple[str, ...]
    common: float
    found: Comparison | Undetermined


@dataclass(frozen=True, slots=True)
class PhaseComparison:
    """How far a bay lies, at one depth, in a later phase above an earlier one of the same kind.

    The same pins read both, so that nothing has to be added for what their readings have in
    common: `common` is 0.
    """

    later: Phase
    earlier: Phase
    bay: str
    quantity: LimitQuantity
    depth: float
    seats: int
    found: Comparison | Undetermined
    common: float = 0.0


@dataclass(frozen=True, slots=True)
class MassUptake:
    """What the specimen took up through its face in a phase, by its mass."""

    phase: Phase
    probe: str
    area: float  # m2
    found: Absorption | Undetermined


@dataclass(frozen=True, slots=True)
class Analysis:
    """All of it, phases in their order."""

    profiles: tuple[Profile, ...]
    progress: tuple[Progress, ...]
    tendencies: tuple[Tendency, ...]
    outlooks: tuple[Outlook, ...]
    exposures: tuple[Exposure, ...]
    bays: tuple[BayComparison, ...]
    phases: tuple[PhaseComparison, ...]
    masses: tuple[MassUptake, ...]
