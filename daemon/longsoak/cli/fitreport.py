"""What `longsoak fit` prints and writes: tables, JSON and a curve file."""

from math import isfinite
from pathlib import Path

from longsoak.cli.common import table
from longsoak.cli.svgsheet import ohms
from longsoak.core.fitjudgement import Remark
from longsoak.core.fittedcurve import curve_of
from longsoak.core.fitting import Fit, Prediction, Shift, moisture_steps
from longsoak.core.wording import with_noun
from longsoak.vocabulary.curve import Form, MadeFor
from longsoak.vocabulary.errors import PhysicsError

_SHOWN = 40  # residuals in the terminal; --json has all
_STRAIGHT = {
    Form.POWER: ("log10 u = a + b log10 R", "log10 u"),
    Form.DOUBLE_LOG: ("log10 u = a - b log10(log10 R)", "log10 u"),
    Form.MEGOHM_LOG: ("log10(log10(R/MΩ) + 1) = a u + b", "u, %"),
}
SALTS = (
    "Salts and the alkali of lime and cement conduct like water does: the curve holds for this "
    "batch in this salt state, and reads too wet where salts have gathered since."
)


def _fitted_on(found: Fit) -> str:
    pairs = found.pairs
    resistances = [pair.resistance for pair in pairs]
    temperatures = [pair.temperature for pair in pairs]
    branches = sorted({str(pair.branch) for pair in pairs if pair.branch})
    return (
        f"{with_noun(len(pairs), 'pair')} at {with_noun(moisture_steps(pairs), 'moisture step')}, "
        f"{ohms(min(resistances))} to {ohms(max(resistances))}, "
        f"{min(temperatures):.1f} to {max(temperatures):.1f} °C, "
        f"{' and '.join(branches) or 'wetting or drying not said'}"
    )


def curve_file(
    found: Fit, name: str, made_for: MadeFor, samples: Path, remarks: tuple[Remark, ...]
) -> str:
    """The fit as a curve file, with what to be wary of in comments."""
    from longsoak.rigfile.curvefile import curve_text

    file = "".join(c if c.isprintable() else "?" for c in samples.name)[:100]
    curve = curve_of(
        found,
        name=name,
        made_for=made_for,
        source=f"fitted by ordinary least squares to {file}",
        fitted_on=_fitted_on(found),
    )
    about = [f"{_STRAIGHT[found.form][0]}, u in % of the oven-dry mass, R in Ohm."]
    about += [remark.says for remark in remarks]
    if made_for is not MadeFor.WOOD:
        about.append(SALTS)
    return curve_text(curve, remarks=tuple(about))


def as_words(
    found: Fit,
    tried: dict[Form, Fit | PhysicsError],
    predictions: list[Prediction],
    remarks: tuple[Remark, ...],
    notes: list[str],
    *,
    file: Path,
) -> str:
    """The fit as tables and sentences."""
    moistures = [pair.moisture for pair in found.pairs]
    straight, response = _STRAIGHT[found.form]
    if found.form is Form.MEGOHM_LOG:
        straight += ", fitted as u over its left side"
    (a, b), ((c_aa, c_ab), (_, c_bb)) = found.coefficients, found.covariance
    lines = [
        f"{file}: {_fitted_on(found)}.",
        "",
        "Forms, each straightened and then fitted by ordinary least squares, moisture over "
        "resistance.",
        "Left-out error: of each pair against a curve fitted to the others. Both in % MC.",
        table(
            ("form", "left-out error", "error", ""),
            [_tried_row(form, one, found) for form, one in tried.items()],
        ),
        "",
        f"{found.form[0].upper()}{found.form[1:]}: {straight}, at "
        f"{found.reference_temperature:.1f} °C",
        f"  a = {a:.6g}, standard uncertainty {c_aa**0.5:.2g}",
        f"  b = {b:.6g}, standard uncertainty {c_bb**0.5:.2g}",
        f"  covariance of a and b {c_ab:.4g}, correlation {found.correlation:.4f}",
        f"  residual s = {found.line.deviation:.4g} in {response}, "
        f"{found.line.freedom:g} degrees of freedom, R² = {found.line.r_squared:.4f}",
        *(
            [
                f"  choosing the form took {found.spent:g} degrees of freedom; one known "
                "beforehand (--form) takes none"
            ]
            if found.spent
            else []
        ),
        f"  log10 R per kelvin: {_shift_words(found)}",
        f"  holds from {min(moistures):.1f} to {max(moistures):.1f} %; a reading beyond is told "
        "as beyond",
        "",
        f"95 % intervals at {found.reference_temperature:.1f} °C, % MC",
        table(
            ("resistance", "moisture", "one reading", "the curve", ""),
            [
                (
                    ohms(one.resistance),
                    f"{one.value:.2f}",
                    f"{one.reading[0]:.2f} to {one.reading[1]:.2f}",
                    f"{one.curve[0]:.2f} to {one.curve[1]:.2f}",
                    "" if one.within else "beyond the samples",
                )
                for one in predictions
            ],
            right="moisture",
        ),
        "",
        *_residual_words(found),
    ]
    if remarks:
        lines += ["", "To be wary of:", *(f"- {remark.says}" for remark in remarks)]
    if notes:
        lines += ["", *notes]
    return "\n".join(lines)


def _tried_row(form: Form, one: Fit | PhysicsError, chosen: Fit) -> tuple[str, ...]:
    if isinstance(one, PhysicsError):
        return form, "none", "none", str(one)
    left_out = f"{one.left_out_error:.3f}" if isfinite(one.left_out_error) else "none"
    return form, left_out, f"{one.error:.3f}", "chosen" if form is chosen.form else ""


def _shift_words(found: Fit) -> str:
    if found.shift is Shift.FITTED:
        return (
            f"{found.per_kelvin:.5f}, standard uncertainty {found.per_kelvin_uncertainty:.2g}, "
            f"{found.shift}"
        )
    if found.shift is Shift.GIVEN:
        return f"{found.per_kelvin:g}, standard uncertainty {found.per_kelvin_uncertainty:g}, given"
    return found.shift.value


def _residual_words(found: Fit) -> list[str]:
    order: list[int] = list(range(len(found.pairs)))
    head = "Residuals, measured less curve, % MC"
    if len(found.pairs) > _SHOWN:
        order.sort(key=lambda place: -abs(found.studentised[place]))
        order, head = sorted(order[:_SHOWN]), f"{head}: the {_SHOWN} largest"
    rows = []
    for place in order:
        pair, fitted = found.pairs[place], found.fitted[place]
        rows.append(
            (
                pair.sample,
                ohms(pair.resistance),
                f"{pair.temperature:.1f}",
                f"{pair.moisture:.2f}",
                f"{fitted:.2f}",
                f"{pair.moisture - fitted:+.2f}",
                f"{found.studentised[place]:+.1f}",
                f"{found.line.leverages[place]:.2f}",
            )
        )
    columns = (
        "sample",
        "resistance",
        "°C",
        "measured",
        "curve",
        "residual",
        "studentised",
        "leverage",
    )
    return [head, table(columns, rows, right="°C measured curve residual studentised leverage")]


def as_json_object(
    found: Fit,
    tried: dict[Form, Fit | PhysicsError],
    predictions: list[Prediction],
    remarks: tuple[Remark, ...],
    notes: list[str],
    *,
    name: str,
) -> dict[str, object]:
    """The fit as an object to be written as JSON; no number in it is one that JSON lacks."""
    corrects = found.shift in (Shift.FITTED, Shift.GIVEN)
    return {
        "curve": name,
        "form": found.form,
        "equation": _STRAIGHT[found.form][0],
        "usable": not any(remark.unusable for remark in remarks),
        "reference_temperature": found.reference_temperature,
        "coefficients": found.coefficients,
        "covariance": found.covariance,
        "correlation": found.correlation,
        "residual": found.line.deviation,
        "residual_of": _STRAIGHT[found.form][1],
        "degrees_of_freedom": found.line.freedom,
        "spent_on_the_choice": found.spent,
        "r_squared": found.line.r_squared,
        "error": found.error,
        "left_out_error": _finite(found.left_out_error),
        "per_kelvin": found.per_kelvin if corrects else None,
        "per_kelvin_uncertainty": found.per_kelvin_uncertainty if corrects else None,
        "per_kelvin_is": found.shift,
        "lowest": min(pair.moisture for pair in found.pairs),
        "highest": max(pair.moisture for pair in found.pairs),
        "forms": {
            form: {"refused": str(one)}
            if isinstance(one, PhysicsError)
            else {"left_out_error": _finite(one.left_out_error), "error": one.error}
            for form, one in tried.items()
        },
        "predictions": [
            {
                "resistance": one.resistance,
                "moisture": one.value,
                "reading_95": one.reading,
                "curve_95": one.curve,
                "within_samples": one.within,
            }
            for one in predictions
        ],
        "residuals": [
            {
                "sample": pair.sample,
                "resistance": pair.resistance,
                "temperature": pair.temperature,
                "moisture": pair.moisture,
                "curve": fitted,
                "studentised": studentised,
                "leverage": leverage,
            }
            for pair, fitted, studentised, leverage in zip(
                found.pairs, found.fitted, found.studentised, found.line.leverages, strict=True
            )
        ],
        "warnings": [remark.says for remark in remarks],
        "notes": notes,
    }


def _finite(value: float) -> float | None:
    return value if isfinite(value) else None
