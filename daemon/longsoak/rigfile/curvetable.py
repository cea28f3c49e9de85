"""The table of a curve, in the rig file and in the registry that ships."""

from typing import Annotated

from pydantic import Field

from longsoak.rigfile.words import Finite, Pair, Table, Text, Words, measured, one_of
from longsoak.vocabulary.curve import Correction, Form, MadeFor

WETTEST = 200  # % moisture content; above that a specimen is more water than its pores hold
_Percent = Annotated[Finite, Field(gt=0, le=WETTEST)]


class CurveTable(Table):
    """``[curves."name"]``; which keys go together is checked in `longsoak.rigfile.curves`."""

    form: Annotated[Annotated[Form, Field(strict=False)] | None, one_of(Form, needed=False)] = None
    made_for: Annotated[
        Annotated[MadeFor, Field(strict=False)] | None, one_of(MadeFor, needed=False)
    ] = None
    lowest: Annotated[
        _Percent | None,
        measured("the lowest moisture content it holds for, in %", 7, unit="%", needed=False),
    ] = None
    highest: Annotated[
        _Percent | None,
        measured("the highest moisture content it holds for, in %", 25, unit="%", needed=False),
    ] = None
    reference_temperature: Annotated[
        Annotated[Finite, Field(ge=-20, le=50)] | None,
        measured("degrees Celsius as a bare number, -20 to 50", 20, unit="°C"),
    ] = None
    correction: Annotated[
        Annotated[Correction, Field(strict=False)] | None, one_of(Correction, needed=False)
    ] = None
    points: Annotated[
        Annotated[list[Pair], Field(min_length=2)] | None,
        Words(
            "two or more pairs of a moisture content in % and a resistance in Ohm",
            "[[7, 2.24e10], [25, 4.6e5]]",
        ),
    ] = None
    coefficients: Annotated[
        Pair | None, Words("the two coefficients a and b of the form", "[2.99, 2.113]")
    ] = None
    species: Annotated[Pair | None, Words("the two species coefficients a and b", "[1.0, 0.0]")] = (
        None
    )
    per_kelvin: Annotated[
        Annotated[Finite, Field(ge=-1, le=1)] | None,
        Words("a change per kelvin as a bare number, -1 to 1", "0.03"),
    ] = None
    uncertainty: Annotated[
        Annotated[Finite, Field(ge=0, le=20)] | None,
        measured(
            "a standard uncertainty in % moisture content, 0 to 20", 1.0, unit="%", needed=False
        ),
    ] = None
    covariance: Annotated[
        Annotated[list[Pair], Field(min_length=2, max_length=2)] | None,
        Words("the two rows of the coefficients' covariance", "[[2e-4, -3e-5], [-3e-5, 5e-6]]"),
    ] = None
    residual: Annotated[
        Annotated[Finite, Field(ge=0, le=1)] | None,
        Words("the standard deviation of one logarithm of moisture, 0 to 1", "0.01"),
    ] = None
    freedom: Annotated[
        Annotated[Finite, Field(ge=1, le=1e6)] | None,
        Words("the degrees of freedom its uncertainty rests on, 1 to 1e6", "8"),
    ] = None
    per_kelvin_uncertainty: Annotated[
        Annotated[Finite, Field(ge=0, le=1)] | None,
        Words("the standard uncertainty of per_kelvin, 0 to 1", "0.002"),
    ] = None
    per_kelvin_covariance: Annotated[
        Pair | None, Words("the covariance of per_kelvin with a, and with b", "[-3e-6, 4e-7]")
    ] = None
    source: Annotated[
        Text | None, Words("a line that says where it comes from", '"own calibration"', needed=True)
    ] = None
    fitted_on: Annotated[
        Text | None, Words("a line that says on what it was found", '"12 pieces, weighed"')
    ] = None
