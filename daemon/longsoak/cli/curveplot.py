"""A curve as a drawing: moisture content over resistance, its band, and other temperatures."""

from html import escape

from longsoak.cli.svgsheet import (
    BAND,
    FONT,
    INK,
    LEFT,
    LETTERING,
    PAPER,
    PENCIL,
    RIGHT,
    Axis,
    decades,
    path,
    scale,
    text_at,
)
from longsoak.core.resistance import PreparedCurve, Reach, moisture_content, prepare
from longsoak.vocabulary.curve import Correction, Curve

_WIDTH, _HEIGHT = 720, 500
_LINE = 13.0  # from one label to the next
_BEHIND = 52.0  # room for them behind the lines
_STEPS = 96  # straight pieces a line is drawn with
_OTHERS = (5.0, 35.0)  # degC, drawn thin beside the reference temperature


def curve_plot(curve: Curve) -> str:
    """Draw a curve.

    Returns
    -------
    str
        A whole SVG file.
    """
    prepared = prepare(curve)
    across = Axis(prepared.wet_end, prepared.dry_end, LEFT, RIGHT - _BEHIND)
    middle, low, high = [], [], []
    for x, value, spread in _values(prepared, curve.reference_temperature):
        middle.append((x, value))
        low.append((x, value - 2 * spread))
        high.append((x, value + 2 * spread))
    others = []
    if curve.correction is not Correction.NONE:
        others = [(t, [(x, u) for x, u, _ in _values(prepared, t)]) for t in _OTHERS]
    drawn = [u for _, u in (*low, *high)] + [u for _, row in others for _, u in row]
    above = Axis(max(0.0, min(drawn)), 1.04 * max(drawn), 440.0, 84.0)

    def placed(row: list[tuple[float, float]]) -> list[tuple[float, float]]:
        return [(across(x), above(max(u, above.low))) for x, u in row]

    title = f"{curve.name}, at {curve.reference_temperature:g} °C"
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" '
        f'width="{_WIDTH}" height="{_HEIGHT}" role="img" font-family="{FONT}" font-size="12">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="{PAPER}"/>',
        text_at(LEFT, 24, title, size=16, weight=700),
        text_at(LEFT, 44, f"{curve.source[:104]}", fill=LETTERING),
        text_at(LEFT, 62, "Moisture, % of the oven-dry mass; band: 95 %", fill=LETTERING),
        *scale(above, lambda value: f"{value:g}"),
        f'<path d="{path(placed(low) + placed(high)[::-1])}Z" fill="{BAND}"/>',
        f'<path class="curve" d="{path(placed(middle))}" fill="none" stroke="{PENCIL}" '
        'stroke-width="1.8"/>',
    ]
    parts += [
        f'<path class="other" d="{path(placed(row))}" fill="none" stroke="{PENCIL}" '
        'stroke-width=".8" stroke-dasharray="5 3"/>'
        for _, row in others
    ]
    parts += _temperatures(
        [(t, placed(row)[-1]) for t, row in (*others, (curve.reference_temperature, middle))]
    )
    parts += [
        f'<circle class="point" cx="{across(x):.1f}" cy="{above(u):.1f}" r="2.6" fill="{INK}"/>'
        for x, u in _points(curve, prepared)
    ]
    return "\n".join([*parts, *decades(across, foot=440, title="Resistance"), "</svg>\n"])


def _temperatures(ends: list[tuple[float, tuple[float, float]]]) -> list[str]:
    """Each line's temperature behind its end, moved apart no farther than they need."""
    ends.sort(key=lambda end: end[1][1])
    ys = [y for _, (_, y) in ends]
    for _ in range(60):  # each turn halves what is left to do
        for i in range(len(ys) - 1):
            short = _LINE - (ys[i + 1] - ys[i])
            if short > 0:
                ys[i] -= short / 2
                ys[i + 1] += short / 2
    return [
        text_at(x + 6, y + 4, f"{temperature:g} °C", fill=PENCIL, halo=True)
        for (temperature, (x, _)), y in zip(ends, ys, strict=True)
    ]


def _values(prepared: PreparedCurve, temperature: float) -> list[tuple[float, float, float]]:
    """log10 of Ohm, moisture content and its standard uncertainty, along the curve."""
    rows = []
    for step in range(_STEPS + 1):
        x = prepared.wet_end + (prepared.dry_end - prepared.wet_end) * step / _STEPS
        found = moisture_content(10.0**x, temperature, prepared)
        if found.reach is Reach.WITHIN:  # at another temperature it may end sooner
            rows.append((x, found.value, found.uncertainty))
    return rows


def _points(curve: Curve, prepared: PreparedCurve) -> list[tuple[float, float]]:
    return [
        (x, content)
        for content, _ in curve.points
        if prepared.wet_end <= (x := prepared.relation.log_resistance(float(content))) + 1e-9
        and x <= prepared.dry_end + 1e-9
    ]
