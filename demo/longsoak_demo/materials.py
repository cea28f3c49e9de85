"""What the two renders and the panel are made of: invented numbers of a believable size.

The moisture in a cell is its saturation, 0 (bone dry) to 1 (as much as capillary suction can
hold). Saturation is also what drives the flow, so that it is continuous where two materials meet
while the water content jumps.
"""

from dataclasses import dataclass
from math import exp


@dataclass(frozen=True, slots=True)
class Material:
    """A porous material as the transport equation sees it.

    Parameters
    ----------
    name : str
        What it is called.
    capacity : float
        Water held at saturation 1, kg/m3.
    slowest : float
        Diffusivity at saturation 0, m2/s.
    steepness : float
        The diffusivity at saturation s is ``slowest * exp(steepness * s)``.
    """

    name: str
    capacity: float
    slowest: float
    steepness: float

    def conductivity(self, saturation: float) -> float:
        """Flow per gradient of saturation, kg/(m s)."""
        return self.capacity * self.slowest * exp(self.steepness * saturation)

    def potential(self, saturation: float) -> float:
        """Conductivity summed up from saturation 0, kg/(m s).

        The flow between two places in one material is the difference of this over their distance,
        exactly and whatever the moisture in between (Kirchhoff's transformation, textbook heat
        conduction). Averaging the conductivities of two cells would let a sharp front stall.
        """
        grown = exp(self.steepness * saturation) - 1.0
        return self.capacity * self.slowest / self.steepness * grown


def activity(saturation: float) -> float:
    """Relative humidity in the pores, a fraction, at `saturation` (own relation, invented)."""
    return saturation / (saturation + 0.10)


# Invented: the cork slows the render down to about a third of the lime's speed.
PLAIN_LIME = Material("plain lime render", capacity=240.0, slowest=2.0e-10, steepness=6.0)
CORK_LIME = Material("cork-lime render", capacity=180.0, slowest=6.0e-11, steepness=5.0)
TIMBER = Material("timber panel", capacity=120.0, slowest=2.5e-10, steepness=1.5)
