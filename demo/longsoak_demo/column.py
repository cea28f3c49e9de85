"""Moisture moving through one column of the specimen, from the wet face to the dry face.

One dimension, explicit finite volumes. What leaves a cell enters its neighbour, so water is
conserved to rounding; `largest_step` keeps the scheme inside the range where no cell can
overshoot its neighbours, so moisture can't turn negative. Water doesn't move between columns.
"""

from collections.abc import Sequence

from longsoak_demo.air import Air, saturation_pressure
from longsoak_demo.materials import Material, activity

# How readily a face gives water to still air, kg/(m2 s Pa). Common practice: 1e-8 to 3e-8.
FACE_TRANSFER = 1.5e-8


class Column:
    """A row of cells of equal thickness.

    Parameters
    ----------
    layers : sequence of (Material, float)
        From the wet face inwards, each with its thickness in m, a multiple of `cell`.
    cell : float
        Thickness of a cell, m.
    saturation : float
        What every cell starts with, 0 to 1.
    """

    def __init__(
        self, layers: Sequence[tuple[Material, float]], *, cell: float, saturation: float
    ) -> None:
        self._cell = cell
        self._materials = [
            material for material, thickness in layers for _ in range(round(thickness / cell))
        ]
        self.saturation = [saturation] * len(self._materials)
        fastest = max(material.conductivity(1.0) / material.capacity for material, _ in layers)
        # A wet face is half a cell away, so its cell exchanges three times one cell's share.
        self.largest_step = 0.3 * cell * cell / fastest

    @property
    def water(self) -> float:
        """Water in the column, kg per m2 of face."""
        cells = zip(self._materials, self.saturation, strict=True)
        return self._cell * sum(material.capacity * s for material, s in cells)

    def step(
        self,
        seconds: float,
        *,
        wet: float | None,
        front: Air | None = None,
        back: Air | None = None,
        temperature: float = 20.0,
    ) -> tuple[float, float]:
        """Advance by `seconds`, at most `largest_step`.

        Parameters
        ----------
        seconds : float
            Length of the step, s.
        wet : float or None
            Saturation the water film holds the wet face at; None while no water runs.
        front : Air or None
            Air the wet face dries into while no water runs; None seals it.
        back : Air or None
            Air the dry face dries into; None seals it.
        temperature : float
            Temperature of the faces, degC.

        Returns
        -------
        tuple of float
            Water taken from the film and water given to the air by both faces, each in kg per m2
            of face in this step. The second is negative when the air is damper than the face.
        """
        s, materials, cell = self.saturation, self._materials, self._cell
        potential = [material.potential(x) for material, x in zip(materials, s, strict=True)]
        taken = given = 0.0
        if wet is not None:
            inflow = (materials[0].potential(wet) - potential[0]) / (cell / 2)
            taken = inflow * seconds
        else:
            inflow = -_drying(s[0], front, temperature)
            given -= inflow * seconds
        last = len(s) - 1
        for i in range(last + 1):
            if i == last:
                outflow = _drying(s[i], back, temperature)
                given += outflow * seconds
            elif materials[i] is materials[i + 1]:
                outflow = (potential[i] - potential[i + 1]) / cell
            else:
                between = (s[i] + s[i + 1]) / 2
                here = materials[i].conductivity(between)
                there = materials[i + 1].conductivity(between)
                outflow = (s[i] - s[i + 1]) * 2 / (cell / here + cell / there)
            s[i] += (inflow - outflow) * seconds / (cell * materials[i].capacity)
            inflow = outflow  # worked out before s[i] changed, so both cells see one flow
        return taken, given

    def at(self, depth: float) -> float:
        """Saturation `depth` m from the wet face, between the two nearest cell centres."""
        place = min(max(depth / self._cell - 0.5, 0.0), len(self.saturation) - 1.0)
        left = min(int(place), len(self.saturation) - 2)
        share = place - left
        return self.saturation[left] * (1 - share) + self.saturation[left + 1] * share


def _drying(saturation: float, air: Air | None, temperature: float) -> float:
    """Water a face gives to the air, kg/(m2 s)."""
    if air is None:
        return 0.0
    over = activity(saturation) * saturation_pressure(temperature) - air.vapour_pressure
    return FACE_TRANSFER * over
