"""A curve from electrical resistance to moisture content, as data."""

from dataclasses import dataclass
from enum import StrEnum

SPREAD = 3.0  # K: measured within so much of each other, pairs are of one temperature


class Form(StrEnum):
    """How moisture content u in % hangs on resistance R in Ohm at the reference temperature."""

    TABLE = "table"
    DOUBLE_LOG = "double logarithm"
    MEGOHM_LOG = "logarithm of the logarithm in megohm"
    POWER = "power law"


class Correction(StrEnum):
    """How a temperature other than the reference temperature enters."""

    INDICATED = "indicated moisture"
    RESISTANCE = "logarithm of resistance"
    MOISTURE = "moisture"
    NONE = "none"


class MadeFor(StrEnum):
    """What a curve was made for: solid wood, any other material it was fitted to, or a board.

    Of these only a curve for wood means anything in another material, as a wood-equivalent.
    """

    WOOD = "wood"
    MINERAL = "mineral"
    BOARD = "board"  # wood-based or mineral-bonded


@dataclass(frozen=True, slots=True)
class Curve:
    """Moisture content over resistance for one species or material.

    With x = log10(R/Ohm), at `reference_temperature`:

    - ``TABLE``: straight in x between `points`, pairs of u in % and R in Ohm, u rising.
    - ``DOUBLE_LOG``: log10 u = a - b log10 x; `coefficients` (a, b).
    - ``MEGOHM_LOG``: log10(x - 6 + 1) = a u + b; `coefficients` (a, b).
    - ``POWER``: log10 u = a + b x; `coefficients` (a, b).

    At other temperatures, with d = T - `reference_temperature` in K:

    - ``INDICATED``: by Garrahan's regression on the indicated moisture content, then
      (u - b)/a with `species` (a, b).
    - ``RESISTANCE``: x is raised by `per_kelvin` d before the form is applied.
    - ``MOISTURE``: u is raised by `per_kelvin` d after it.
    - ``NONE``: nothing.

    `lowest` and `highest` bound the moisture contents it holds for, %. `uncertainty` is the
    standard uncertainty of the curve for one piece, % MC; a fitted curve has `covariance` (2 x 2,
    of its coefficients) and `residual` (standard deviation of one log10 u) instead. `freedom` are
    the degrees of freedom all of these rest on; None says that they are many.
    `per_kelvin_uncertainty` is that of a fitted `per_kelvin`, `per_kelvin_covariance` its
    covariance with each of the coefficients.
    """

    name: str
    form: Form
    made_for: MadeFor
    lowest: float
    highest: float
    reference_temperature: float
    correction: Correction
    source: str
    fitted_on: str
    points: tuple[tuple[float, float], ...] = ()
    coefficients: tuple[float, ...] = ()
    species: tuple[float, float] = (1.0, 0.0)
    per_kelvin: float = 0.0
    uncertainty: float = 0.0
    covariance: tuple[tuple[float, float], tuple[float, float]] | None = None
    residual: float = 0.0
    freedom: float | None = None
    per_kelvin_uncertainty: float = 0.0
    per_kelvin_covariance: tuple[float, float] = (0.0, 0.0)
