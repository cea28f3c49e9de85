"""What `longsoak convert` can be asked, each answer with what it holds for."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import isnan

from longsoak.core import humidity, mould, sorption
from longsoak.core.convert import judged_moisture
from longsoak.core.resistance import Budget, PreparedCurve
from longsoak.core.wording import bound_words, flag_words
from longsoak.vocabulary.curve import MadeFor
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.rig import Kind, Quantity

Answer = dict[str, object]
"""Keys: curve, quantity, unit, value, bound, standard_uncertainty, flag, note, and resistance (Ohm,
as measured; None where none was asked for). That of a mould index also has its state."""

Row = Mapping[str, float]
Ask = Callable[[Row], list[Answer]]

RESISTANCE, TEMPERATURE = "resistance_ohm", "temperature_c"
HUMIDITY, SURFACE, HOURS = "humidity_percent", "surface_c", "hours"

SENSITIVITIES = {kind.name.lower().replace("_", " "): kind for kind in mould.Sensitivity}
DECLINES = {kind.name.lower().replace("_", " "): kind for kind in mould.Decline}

_FOR_WOOD = "in wood; in any other material it is only a wood-equivalent"
_FOR_FITTED = "in the material it was fitted on; salts and alkali make it read too wet"


def moisture(
    row: Row, *, prepared: PreparedCurve, budget: Budget, most: float | None
) -> list[Answer]:
    """Moisture content by a curve, as far as the resistance lets it be told."""
    ohm, temperature = row[RESISTANCE], row[TEMPERATURE]
    found = judged_moisture(ohm, temperature, prepared, budget, most=most)
    wood = prepared.curve.made_for is MadeFor.WOOD
    note = _FOR_WOOD if wood else _FOR_FITTED
    if found.reason is not Reason.NONE:
        note = f"{found.reason.words}; {note}"
    answer = _answer(
        Quantity.MOISTURE_CONTENT,
        "%",
        found.value,
        found.uncertainty,
        note,
        curve=prepared.curve.name,
        flag=found.flag,
        bound=bound_words(Kind.PINS, None if isnan(found.value) else found.value, found.reason),
        resistance=ohm,
    )
    return [answer]


@dataclass(frozen=True, slots=True)
class Settled:
    """What moisture content wood settles at; the air's standard uncertainties, K and % RH."""

    u_temperature: float
    u_humidity: float

    def __call__(self, row: Row) -> list[Answer]:
        """Answer for such air."""
        temperature, rh = row[TEMPERATURE], row[HUMIDITY]
        value = sorption.equilibrium_moisture(temperature, relative_humidity=rh)
        spread = sorption.equilibrium_uncertainty(
            temperature,
            relative_humidity=rh,
            u_temperature=self.u_temperature,
            u_relative_humidity=self.u_humidity,
        )
        note = "mean of wetting and drying; a piece lies 2 to 3 % apart between the two"
        return [_answer("equilibrium moisture content of wood", "%", value, spread, note)]


@dataclass(frozen=True, slots=True)
class Air:
    """Dew point, frost point, vapour pressure, deficit and absolute humidity.

    The two are the air's standard uncertainties, K and % RH.
    """

    u_temperature: float
    u_humidity: float

    def __call__(self, row: Row) -> list[Answer]:
        """Answer for such air."""
        temperature, pressure = row[TEMPERATURE], _vapour(row)
        answers = [
            _answer(
                "dew point",
                "Cel",
                humidity.dew_point(pressure),
                self._spread(row, humidity.Phase.WATER),
                "over liquid water, supercooled below 0 degC",
            )
        ]
        if pressure < humidity.saturation_over_ice(humidity.TRIPLE_POINT):
            frost, spread = humidity.frost_point(pressure), self._spread(row, humidity.Phase.ICE)
            answers.append(_answer("frost point", "Cel", frost, spread, "over ice"))
        deficit = humidity.vapour_pressure_deficit(temperature, vapour_pressure=pressure)
        dense = humidity.absolute_humidity(temperature, vapour_pressure=pressure)
        return [
            *answers,
            _answer("vapour pressure", "Pa", pressure, None, ""),
            _answer("vapour pressure deficit", "Pa", deficit, None, "over liquid water"),
            _answer("absolute humidity", "g/m3", dense, None, ""),
        ]

    def _spread(self, row: Row, over: humidity.Phase) -> float:
        return humidity.dew_point_uncertainty(
            row[TEMPERATURE],
            relative_humidity=row[HUMIDITY],
            u_temperature=self.u_temperature,
            u_relative_humidity=self.u_humidity,
            over=over,
        )


def _vapour(row: Row) -> float:
    """Vapour pressure of air that is not too dry to have a dew point, Pa."""
    rh = row[HUMIDITY]
    pressure = humidity.vapour_pressure(row[TEMPERATURE], relative_humidity=rh)
    if pressure < humidity.saturation_over_water(humidity.COLDEST):
        raise PhysicsError(
            "relative_humidity",
            f"{rh:g} %",
            f"more: such dry air has no dew point above {humidity.COLDEST:g} degC",
        )
    return pressure


@dataclass(frozen=True, slots=True)
class Condensation:
    """How far a surface is from being wetted; the three are standard uncertainties, K, K, % RH."""

    u_surface: float
    u_temperature: float
    u_humidity: float

    def __call__(self, row: Row) -> list[Answer]:
        """Answer for a surface in such air."""
        _vapour(row)
        found = humidity.condensation_margin(
            row[SURFACE],
            temperature=row[TEMPERATURE],
            relative_humidity=row[HUMIDITY],
            u_surface=self.u_surface,
            u_temperature=self.u_temperature,
            u_relative_humidity=self.u_humidity,
        )
        ice = found.deposit is humidity.Phase.ICE
        point, deposit = ("frost point", "rime") if ice else ("dew point", "water")
        forms = f"{deposit} forms" if found.value < 0.0 else f"below 0 {deposit} forms"
        note = f"surface less {point}; {forms}"
        return [_answer("condensation margin", "K", found.value, found.uncertainty, note)]


class Mould:
    """The index, carried on from one row to the next.

    `material` and `decline` are names of `SENSITIVITIES` and `DECLINES`.
    """

    def __init__(self, material: str, decline: str, state: mould.MouldState) -> None:
        self._material, self._decline = material, decline
        self._state = state

    def __call__(self, row: Row) -> list[Answer]:
        """Answer for the end of one more spell of such air."""
        self._state = mould.step(
            self._state,
            temperature=row[TEMPERATURE],
            relative_humidity=row[HUMIDITY],
            hours=row[HOURS],
            material=SENSITIVITIES[self._material],
            decline=DECLINES[self._decline],
        )
        note = f"on a {self._material} surface, decline {self._decline}. {mould.CAUTION}"
        answer = _answer("mould index, 0 to 6", "1", self._state.index, None, note)
        state = {
            "index": self._state.index,
            "hours_since_growth": self._state.hours_since_growth,
            "material": self._material,
            "decline": self._decline,
        }
        return [{**answer, "state": state}]


def _answer(
    quantity: str,
    unit: str,
    value: float,
    uncertainty: float | None,
    note: str,
    *,
    curve: str | None = None,
    flag: Flag = Flag.PASS,
    bound: str | None = None,
    resistance: float | None = None,
) -> Answer:
    return {
        "curve": curve,
        "quantity": quantity,
        "unit": unit,
        "value": None if isnan(value) else value,
        "bound": bound,
        "standard_uncertainty": None if uncertainty is None or isnan(uncertainty) else uncertainty,
        "flag": int(flag),
        "note": note,
        "resistance": resistance,
    }


def words(answer: Answer) -> str:
    """One answer as a line."""
    value, spread, bound = answer["value"], answer["standard_uncertainty"], answer["bound"]
    unit = {"Cel": " °C", "1": "", "%": " %"}.get(str(answer["unit"]), f" {answer['unit']}")
    said = "none" if value is None else f"{f'{bound} ' if bound else ''}{value:.4g}{unit}"
    if isinstance(spread, float) and not bound:
        said += f" ± {2 * spread:.2g}"
    # Where there is no figure, what was measured is all there is to go by.
    if answer["resistance"] is not None and (bound or value is None):
        said += f", from {answer['resistance']:.10g} Ohm"
    flag = Flag(int(str(answer["flag"])))
    told = "" if flag is Flag.PASS else f", {flag_words(flag, Reason.NONE)}"
    note = f" ({answer['note']})" if answer["note"] else ""
    return f"{answer['quantity']}: {said}{told}{note}"
