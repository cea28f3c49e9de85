"""Writes a curve as the table that a rig file takes, or a file of its own that it can name."""

from longsoak.rigfile.report import quoted
from longsoak.vocabulary.curve import Correction, Curve, Form


def curve_text(curve: Curve, *, remarks: tuple[str, ...] = ()) -> str:
    """Write a curve as TOML, under the head ``[curves."its name"]``.

    What is read back from it is the same curve to the last digit. `remarks` come first, a comment
    line each.
    """
    lines = [f"# {_printable(remark)}" for remark in remarks]
    lines += [
        f"[curves.{_text(curve.name)}]",
        f"form = {_text(curve.form)}",
        f"made_for = {_text(curve.made_for)}",
        f"lowest = {curve.lowest!r}  # % of the oven-dry mass, and so below",
        f"highest = {curve.highest!r}",
        f"reference_temperature = {curve.reference_temperature!r}  # degC",
        f"correction = {_text(curve.correction)}",
    ]
    if curve.correction in (Correction.RESISTANCE, Correction.MOISTURE):
        lines.append(f"per_kelvin = {curve.per_kelvin!r}")
        if curve.per_kelvin_uncertainty:
            lines.append(f"per_kelvin_uncertainty = {curve.per_kelvin_uncertainty!r}  # standard")
        if any(curve.per_kelvin_covariance):
            with_both = _row(curve.per_kelvin_covariance)
            lines.append(f"per_kelvin_covariance = {with_both}  # with a, and with b")
    if curve.correction is Correction.INDICATED:
        lines.append(f"species = {_row(curve.species)}")
    if curve.form is Form.TABLE:
        lines += ["points = [", *(f"  {_row(point)}," for point in curve.points), "]"]
    else:
        lines.append(f"coefficients = {_row(curve.coefficients)}")
    if curve.covariance is None:
        lines.append(f"uncertainty = {curve.uncertainty!r}  # standard, of one reading")
    else:
        lines.append(f"covariance = [{', '.join(map(_row, curve.covariance))}]")
        lines.append(f"residual = {curve.residual!r}  # standard deviation of one log10 u")
    if curve.freedom is not None:
        lines.append(f"freedom = {curve.freedom!r}  # degrees of freedom it rests on")
    lines += [f"source = {_text(curve.source)}", f"fitted_on = {_text(curve.fitted_on)}"]
    return "\n".join(lines) + "\n"


def _row(values: tuple[float, ...]) -> str:
    return f"[{', '.join(map(repr, values))}]"


def _text(text: str) -> str:
    # JSON leaves the delete character as it is, TOML forbids it.
    return quoted(str(text)).replace("\x7f", "\\u007f")


def _printable(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text)
