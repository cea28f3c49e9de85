"""The lower part of a section: tray, water, clearance, and what is declared about them."""

from dataclasses import dataclass

from markupsafe import Markup

from longsoak.vocabulary.rig import Reservoir, WetFace
from longsoak_dashboards.drawing.callouts import LINE, SMALL
from longsoak_dashboards.drawing.feet import draw_feet, room_of_feet
from longsoak_dashboards.drawing.lettering import Box, width
from longsoak_dashboards.drawing.sheet import VALUE, Sheet
from longsoak_dashboards.drawing.svg import path, tag

_DIM_IN = 12.0  # points of the dimension line inside the dry face
_PIPE = 30.0  # points: less room than that between wall and wet face, and no pipe is drawn


@dataclass(frozen=True, slots=True)
class Water:
    """The level as it was last seen, for one drawing.

    `level` in mm above the floor, None if it isn't known; the words carry their own ±. `old` if
    it was last seen too long ago to be taken for now.
    """

    level: float | None
    clearance_words: str
    level_words: str
    unknown_words: str
    old: bool


def draw_water(sheet: Sheet, reservoir: Reservoir, water: Water) -> Markup:
    """Tray, water and the dimensions between water, specimen and floor."""
    dim, gap = _dimension(sheet, reservoir, water)
    measured, taken = _measured(sheet, water, dim=dim, gap=gap)
    pump = _pump(sheet)
    if any(box.meets(_pump_box(sheet)) for box in taken):
        pump = Markup()  # a sign only; the figures come first
    if sheet.shallow:
        declared = [_declared_below(sheet, reservoir)]
    else:
        declared = [_stop(sheet, reservoir, water, dim=dim), _pump_needs(sheet, reservoir, taken)]
    return Markup().join(
        [
            _water(sheet, reservoir, water, taken),
            _tray(sheet, reservoir),
            draw_feet(sheet, reservoir),
            pump,
            *declared,
            measured,
        ]
    )


def over_the_underside(sheet: Sheet, reservoir: Reservoir, water: Water) -> list[Box]:
    """What of the dimensions stands in the specimen, where water is in contact with it."""
    surface = sheet.floor - (water.level or 0.0)
    if surface >= sheet.height:
        return []
    p = sheet.point
    dim, _ = _dimension(sheet, reservoir, water)
    return [Box(dim - 4 * p, surface, dim + 4 * p, sheet.height)]


def _water(sheet: Sheet, reservoir: Reservoir, water: Water, taken: list[Box]) -> Markup:
    if water.level is None or water.level <= 0:
        return Markup()
    p = sheet.point
    left, right, floor = sheet.tray_left, sheet.tray_right, sheet.floor
    top = floor - min(water.level, reservoir.rim)
    dash = "6 4" if water.old else None
    body = tag("path", cls="water", d=path("M", left, top, "H", right, "V", floor, "H", left, "Z"))
    ripples = []
    for i, (start, end) in enumerate(((0.04, 0.3), (0.34, 0.7), (0.2, 0.45), (0.62, 0.95))):
        y = top + (8 + 8 * i) * p
        if y < floor - 3 * p:
            ends = (left + start * (right - left), left + end * (right - left))
            ripples.append(tag("path", cls="ripple", d=path("M", ends[0], y, "H", ends[1])))
    line = tag("path", cls="waterline", stroke_dasharray=dash, d=path("M", left, top, "H", right))
    x = -12 * p
    level_sign = Box(x - 5 * p, top - 9.5 * p, x + 5 * p, top + 3.5 * p)
    if -left < 30 * p or any(box.meets(level_sign) for box in taken):
        return Markup().join([body, *ripples, line])
    sign = path("M", x - 4.5 * p, top - 9.5 * p, "h", 9 * p, "l", -4.5 * p, 8 * p, "Z")
    under = path("M", x - 5 * p, top + 3.5 * p, "h", 10 * p)
    mark = tag("path", cls="thin", d=f"{sign} {under}")
    return Markup().join([body, *ripples, line, mark])


def _tray(sheet: Sheet, reservoir: Reservoir) -> Markup:
    p = sheet.point
    left, right, floor = sheet.tray_left, sheet.tray_right, sheet.floor
    rim = floor - reservoir.rim
    if not sheet.tray_is_cut:
        return tag("path", cls="cut", d=path("M", left, rim, "V", floor, "H", right, "V", rim))
    breaks = []  # the tray goes on beyond the sheet: a zigzag says so
    for x in (left, right):
        mid = floor - reservoir.rim / 2
        breaks.append(
            path("M", x, rim, "V", mid - 7 * p, "l", 4 * p, 4 * p, "l", -8 * p, 5 * p)
            + path("l", 4 * p, 4 * p, "V", floor)
        )
    return Markup().join(
        [
            tag("path", cls="cut", d=path("M", left, floor, "H", right)),
            tag("path", cls="thin", d=" ".join(breaks)),
        ]
    )


def _dimension(sheet: Sheet, reservoir: Reservoir, water: Water) -> tuple[float, float]:
    """Where the measured dimensions stand, and how far left of it their words end.

    Under the dry face; at the tray's wall, where a thin specimen leaves no room for the words
    between there and the pump.
    """
    p = sheet.point
    under = min(sheet.across - room_of_feet(sheet, reservoir), sheet.tray_right) - _DIM_IN * p
    if sheet.shallow or water.level is None:
        return under, 8 * p
    wide = max(
        width(water.clearance_words, size=VALUE, bold=True), width(water.level_words, size=SMALL)
    )
    if under - (wide + 8) * p >= _pump_box(sheet).right:
        return under, 8 * p
    return max(under, sheet.tray_right - 8 * p), 6 * p


def _pump_box(sheet: Sheet) -> Box:
    """What pump and pipe take; no width where there is no room for them."""
    p, left = sheet.point, sheet.tray_left
    if -left < _PIPE * p:
        return Box(left, sheet.height, left, sheet.floor)
    return Box(left + 6.5 * p, sheet.height, left + 23.5 * p, sheet.floor)


def _pump(sheet: Sheet) -> Markup:
    """The pump, its pipe and the drip rail. A sign, not to scale: the rig file has no sizes."""
    p = sheet.point
    if -sheet.tray_left < _PIPE * p:
        return Markup()
    x, foot = sheet.tray_left + 15 * p, sheet.floor - 13 * p
    pump = [
        tag("circle", cls="outline leaf", cx=x, cy=foot, r=8.5 * p),
        tag(
            "path", cls="solid",
            d=path("M", x - 4 * p, foot + 4 * p, "L", x, foot - 7 * p, x + 4 * p, foot + 4 * p)
            + "Z",
        ),
    ]  # fmt: skip
    if sheet.wet_face is not WetFace.SIDE:  # where its water goes from there is not declared
        return Markup().join(pump)
    top = 12 * p
    pipe = path("M", x - 2 * p, foot, "V", top + 5 * p, "q", 0, -6 * p, 6 * p, -7 * p)
    pipe += " " + path("M", x + 2 * p, foot, "V", top + 7 * p, "q", 0, -3 * p, 3 * p, -4 * p)
    rail = (x + 9 * p, top)
    drip = path("M", rail[0] + 6 * p, top + 1 * p)
    drip += " " + path("Q", -4 * p, top + 2 * p, -3.5 * p, top + 14 * p, "V", sheet.height + 10 * p)
    return Markup().join(
        [
            tag("path", cls="thin", d=pipe),
            tag("path", cls="drip", stroke_dasharray="5 4", d=drip),
            tag("circle", cls="outline leaf", cx=rail[0], cy=rail[1], r=5.5 * p),
            *pump,
        ]
    )


def _stop(sheet: Sheet, reservoir: Reservoir, water: Water, *, dim: float) -> Markup:
    p = sheet.point
    stop = sheet.floor - reservoir.stop
    words = f"stop {reservoir.stop:g}"
    if width("stop", size=SMALL) * p > sheet.tray_right - dim - 3 * p:  # then outside the wall
        if sheet.tray_right + (width(words, size=SMALL) + 8) * p > sheet.view.right:
            words = "stop"
        end = sheet.tray_right + (width(words, size=SMALL) + 6) * p
        return _dashes(sheet.tray_right, end, stop) + _text(
            words, sheet.tray_right + 4 * p, stop + 12.5 * p, size=SMALL * p, cls="d halo"
        )
    surface = sheet.floor - (water.level or 0)
    # Under its line, unless the water stands just there.
    below = not stop - 2 * p < surface < stop + 16 * p
    if not below or width(words, size=SMALL) * p > sheet.tray_right - dim - 2 * p:
        words = "stop"
    x, y = sheet.tray_right - 3 * p, stop + (12.5 if below else -4) * p
    return _dashes(dim + 8 * p, sheet.tray_right, stop) + _text(
        words, x, y, size=SMALL * p, cls="d halo", anchor="end"
    )


def _pump_needs(sheet: Sheet, reservoir: Reservoir, taken: list[Box]) -> Markup:
    if reservoir.pump_needs <= 0:
        return Markup()
    p = sheet.point
    line = sheet.floor - reservoir.pump_needs
    x = sheet.tray_left + (28 if -sheet.tray_left >= _PIPE * p else 4) * p
    for words in (f"pump needs {reservoir.pump_needs:g}", f"pump {reservoir.pump_needs:g}"):
        end = x + (width(words, size=SMALL) + 4) * p
        for y in (line + 12.5 * p, line - 4 * p):
            box = Box(x, y - 11 * p, end, y + 3 * p)
            if y < sheet.floor - 2 * p and not any(box.meets(other) for other in taken):
                # The line ends with its own words, so that it never crosses the figures beside it.
                text = _text(words, x, y, size=SMALL * p, cls="d halo")
                return _dashes(x, end, line) + text
    return _dashes(x, x + 40 * p, line)


def _declared_below(sheet: Sheet, reservoir: Reservoir) -> Markup:
    p = sheet.point
    words = f"stop {reservoir.stop:g}, pump needs {reservoir.pump_needs:g}"
    lines = [
        _dashes(sheet.tray_left, sheet.tray_right, sheet.floor - height)
        for height in (reservoir.stop, reservoir.pump_needs)
        if height > 0
    ]
    x, y = sheet.view.left + 2 * p, sheet.floor + 47 * p
    return Markup().join([*lines, _text(words, x, y, size=SMALL * p, cls="d halo")])


def _measured(sheet: Sheet, water: Water, *, dim: float, gap: float) -> tuple[Markup, list[Box]]:
    """Ink dimensions. The words stand where there is room: in the air, in the water, or below."""
    p, x = sheet.point, dim
    if water.level is None:
        y = sheet.floor + 15 * p if sheet.shallow else (sheet.height + sheet.floor) / 2 + 4 * p
        words, right = water.unknown_words, sheet.tray_right - 8 * p
        wide = width(words, size=VALUE, bold=True) * p
        text = _text(words, right, y, size=VALUE * p, cls="r halo", anchor="end", bold=True)
        return text, [Box(right - wide, y - 12 * p, right, y + 4 * p)]
    surface = sheet.floor - max(0.0, water.level)
    parts, taken = [], []
    if surface > sheet.height:
        if x > sheet.across:  # the underside is carried on to where it is measured from
            d = path("M", sheet.across + 2 * p, sheet.height, "H", x + 4 * p)
            parts.append(tag("path", cls="thin", d=d))
        parts.append(_arrows(x, sheet.height, surface, p))
    if water.level > 0:
        parts.append(_arrows(x, surface, sheet.floor, p))
    for words, y, size, bold in zip(
        (water.clearance_words, water.level_words),
        _baselines(sheet, surface),
        (VALUE, SMALL),
        (True, False),
        strict=True,
    ):
        wide = width(words, size=size, bold=bold) * p
        right = max(x - gap, sheet.view.left + wide + 2 * p)
        cls = "r halo" if bold and surface <= sheet.height else "halo"  # in contact
        parts.append(_text(words, right, y, size=size * p, cls=cls, anchor="end", bold=bold))
        taken.append(Box(right - wide, y - 12 * p, right, y + 4 * p))
    return Markup().join(parts), taken


def _baselines(sheet: Sheet, surface: float) -> tuple[float, float]:
    p = sheet.point
    air, deep = (surface - sheet.height) / p, (sheet.floor - surface) / p
    need = LINE + 3
    if sheet.shallow:
        return sheet.floor + 15 * p, sheet.floor + 31 * p
    if air >= need and deep >= need:
        return sheet.height + (air / 2 + 5) * p, surface + (deep / 2 + 4.5) * p
    if air >= 2 * need:
        return surface - 22 * p, surface - 5 * p
    top = max(surface, sheet.height)  # values stand over the underside, also where it is in contact
    return top + 15 * p, top + 31 * p


def _dashes(x1: float, x2: float, y: float) -> Markup:
    return tag("path", cls="dim", stroke_dasharray="6 3", d=path("M", x1, y, "H", x2))


def _arrows(x: float, y1: float, y2: float, p: float) -> Markup:
    head = min(7 * p, (y2 - y1) / 2)
    d = path("M", x, y1, "V", y2, "M", x - 3.5 * p, y1 + head, "L", x, y1, x + 3.5 * p, y1 + head)
    d += " " + path("M", x - 3.5 * p, y2 - head, "L", x, y2, x + 3.5 * p, y2 - head)
    return tag("path", cls="dim got", d=d)


def _text(
    words: str,
    x: float,
    y: float,
    *,
    size: float,
    cls: str,
    anchor: str | None = None,
    bold: bool = False,
) -> Markup:
    return tag(
        "text", words, x=x, y=y, font_size=size, cls=cls, text_anchor=anchor,
        font_weight="700" if bold else None,
    )  # fmt: skip
