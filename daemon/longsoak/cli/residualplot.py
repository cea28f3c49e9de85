"""The fit and its residuals as a drawing: plain SVG, no library, nothing to load from elsewhere.

Ink is measured, pencil is the curve that was drawn through it, red wants a look; each also has a
shape, so that a grey printer keeps them apart.
"""

from collections.abc import Sequence
from html import escape

from longsoak.cli.svgsheet import (
    BAND,
    FONT,
    INK,
    LEFT,
    LETTERING,
    PAPER,
    PENCIL,
    RED,
    RIGHT,
    Axis,
    decades,
    line,
    path,
    scale,
    text_at,
)
from longsoak.core.fitting import Branch, Fit, predict
from longsoak.vocabulary.errors import PhysicsError

_WIDTH, _HEIGHT = 720, 640
_STEPS = 96  # straight pieces the curve is drawn with


def residual_plot(found: Fit, *, name: str, marked: frozenset[int]) -> str:
    """Draw a fit above its residuals.

    Parameters
    ----------
    found : Fit
        What is drawn.
    name : str
        The curve's, for the title.
    marked : frozenset of int
        Which pairs want a look, by their place.

    Returns
    -------
    str
        A whole SVG file.
    """
    logs = [found.log_resistance(pair) for pair in found.pairs]
    pad = 0.05 * (max(logs) - min(logs))
    across = Axis(min(logs) - pad, max(logs) + pad, LEFT, RIGHT)
    wettest = max(*(pair.moisture for pair in found.pairs), *found.fitted)
    above = Axis(0.0, 1.12 * wettest, 372.0, 64.0)
    residuals = [p.moisture - u for p, u in zip(found.pairs, found.fitted, strict=True)]
    most = 1.15 * max(map(abs, residuals)) or 1.0
    below = Axis(-most, most, 566.0, 416.0)
    title = f"{name}: {found.form}, {len(found.pairs)} pairs"
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" '
        f'width="{_WIDTH}" height="{_HEIGHT}" role="img" font-family="{FONT}" font-size="12">',
        f"<title>{escape(title)}</title>",
        f"<desc>Residuals from {min(residuals):.2f} to {max(residuals):.2f} % of the oven-dry "
        f"mass, {found.error:.2f} % root mean square.</desc>",
        f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="{PAPER}"/>',
        text_at(LEFT, 24, title, size=16, weight=700),
        text_at(
            LEFT, 44, "Moisture, % of the oven-dry mass; band: 95 % of readings", fill=LETTERING
        ),
        *scale(above, lambda value: f"{value:g}"),
        *_curve(found, across, above),
        *_points(found, logs, [p.moisture for p in found.pairs], across, above, marked),
        text_at(LEFT, 404, "Residual, measured less curve, %", fill=LETTERING),
        *scale(below, lambda value: f"{value:+g}" if value else "0"),
        line(LEFT, below(0.0), RIGHT, below(0.0), PENCIL, 1.4),
        *_points(found, logs, residuals, across, below, marked),
        *decades(across, foot=572),
        *_key(found, marked),
        "</svg>\n",
    ]
    return "\n".join(parts)


def _curve(found: Fit, across: Axis, above: Axis) -> list[str]:
    """The curve, and the band one new reading in twenty leaves, over what was measured."""
    middle: list[tuple[float, float]] = []
    low: list[tuple[float, float]] = []
    high: list[tuple[float, float]] = []
    logs = [found.log_resistance(pair) for pair in found.pairs]
    for step in range(_STEPS + 1):
        x = min(logs) + (max(logs) - min(logs)) * step / _STEPS
        try:
            at = predict(found, 10.0**x)
        except PhysicsError:  # rounding put an end of the curve just outside its form
            continue
        middle.append((across(x), above(_kept(at.value, above))))
        low.append((across(x), above(_kept(at.reading[0], above))))
        high.append((across(x), above(_kept(at.reading[1], above))))
    return [
        f'<path d="{path(low + high[::-1])}Z" fill="{BAND}"/>',
        f'<path class="curve" d="{path(middle)}" fill="none" stroke="{PENCIL}" '
        'stroke-width="1.4"/>',
    ]


def _kept(value: float, axis: Axis) -> float:
    return min(max(value, axis.low), axis.high)


def _points(
    found: Fit,
    logs: Sequence[float],
    values: Sequence[float],
    across: Axis,
    upright: Axis,
    marked: frozenset[int],
) -> list[str]:
    parts = []
    for place, (pair, x, value) in enumerate(zip(found.pairs, logs, values, strict=True)):
        at = (across(x), upright(value))
        parts.append(_shape(pair.branch, at, marked=place in marked, says=pair.sample))
        if place in marked:
            right = at[0] > 0.8 * _WIDTH
            parts.append(
                text_at(
                    at[0] + (-9 if right else 9), at[1] + 4, pair.sample,
                    anchor="end" if right else "start", fill=RED,
                )
            )  # fmt: skip
    return parts


def _shape(branch: Branch | None, at: tuple[float, float], *, marked: bool, says: str) -> str:
    x, y = at
    title = f"<title>{escape(says)}</title>"
    if marked:
        corners = f"M{x:.1f} {y - 5.5:.1f}l5 9h-10Z"
        return (
            f'<path class="pair" d="{corners}" fill="{PAPER}" stroke="{RED}" stroke-width="1.6">'
            f"{title}</path>"
        )
    filled = PAPER if branch is Branch.WETTING else INK
    return (
        f'<circle class="pair" cx="{x:.1f}" cy="{y:.1f}" r="3.4" fill="{filled}" stroke="{INK}" '
        f'stroke-width="1.4">{title}</circle>'
    )


def _key(found: Fit, marked: frozenset[int]) -> list[str]:
    entries: list[tuple[Branch | None, bool, str]] = []
    branches = {pair.branch for pair in found.pairs}
    if Branch.WETTING in branches:
        entries.append((Branch.WETTING, False, "wetting"))
    if branches - {Branch.WETTING}:
        rest = "drying" if Branch.DRYING in branches else "pair"
        entries.append((None, False, "drying or not said" if len(branches) == 3 else rest))
    if marked:
        entries.append((None, True, "wants a look"))
    parts, x = [], LEFT + 6
    for branch, wants_a_look, words in entries:
        parts.append(
            _shape(branch, (x, 616), marked=wants_a_look, says=words).replace("pair", "key", 1)
        )
        parts.append(text_at(x + 12, 620, words))
        x += 40 + 7 * len(words)
    parts.append(
        text_at(
            RIGHT,
            620,
            f"resistance at {found.reference_temperature:.1f} °C",
            anchor="end",
            fill=LETTERING,
        )
    )
    return parts
