"""The reservoir in cross-section, to scale, with what is measured and what is declared."""

from markupsafe import Markup

from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.drawing.svg import path, tag
from longsoak_dashboards.drawing.water import Water

_WIDE = 360.0  # of the drawing; the tray takes all of it but the margins
_MARGIN = 12.0
_SPECIMEN = 50.0  # of the specimen above its underside
_FOOT = 34.0  # under the floor, for what is declared of the plan
_LEAST_HEIGHT = 90.0  # of the drawn tray; a wider, shallower one is drawn in part


def draw_tray(rig: Rig, water: Water) -> Markup:
    """Draw it; a rig without a reservoir has none.

    Parameters
    ----------
    rig : Rig
        Geometry, mm; it has a reservoir.
    water : Water
        The level and the clearance as they were last seen.
    """
    reservoir = rig.reservoir
    if reservoir is None:
        return Markup()
    left, right = _MARGIN, _WIDE - _MARGIN
    scale = max((right - left) / reservoir.breadth, _LEAST_HEIGHT / reservoir.rim)
    cut = reservoir.breadth * scale > right - left + 0.01
    top = max(rig.specimen.underside * scale + _SPECIMEN, reservoir.rim * scale) + 6.0

    def y(height: float) -> float:
        return top - height * scale

    parts = [_specimen(rig, left, right, scale, y(rig.specimen.underside))]
    known = water.level is not None and water.level > 0
    surface = y(min(water.level, reservoir.rim)) if known and water.level is not None else top
    if known:
        body = path("M", left, surface, "H", right, "V", top, "H", left, "Z")
        parts += [
            tag("path", cls="water", d=body),
            tag(
                "path",
                cls="waterline",
                stroke_dasharray="6 4" if water.old else None,
                d=path("M", left, surface, "H", right),
            ),
        ]
    parts.append(_walls(left, right, y(reservoir.rim), top, cut=cut))
    for height, words, anchor, x in (
        (reservoir.stop, f"stop {reservoir.stop:g}", "end", right - 4),
        (reservoir.pump_needs, f"pump needs {reservoir.pump_needs:g}", "start", left + 4),
    ):
        line = path("M", left, y(height), "H", right)
        parts += [
            tag("path", cls="dim", stroke_dasharray="6 3", d=line),
            tag("text", words, cls="d halo", x=x, y=y(height) - 4, text_anchor=anchor),
        ]
    if known:
        parts += _measured(water, y(rig.specimen.underside), surface, top, right - 66)
    else:
        middle = (left + right) / 2
        parts.append(
            tag("text", water.unknown_words, cls="look", x=middle, y=top - 12, text_anchor="middle")
        )
    plan = f"{reservoir.breadth:g} wide and {reservoir.length:g} long, mm"
    if cut:
        plan += "; drawn in part"
    parts.append(tag("text", plan, cls="d", x=(left + right) / 2, y=top + 22, text_anchor="middle"))
    return tag(
        "svg",
        *parts,
        cls="tray",
        viewBox=f"0 0 {_WIDE:g} {top + _FOOT:.1f}",
        role="img",
        aria_label="The tray in cross-section: "
        + ", ".join(words for words in (water.level_words, water.clearance_words) if words),
    )


def _specimen(rig: Rig, left: float, right: float, scale: float, under: float) -> Markup:
    thick = max(bay.thickness for bay in rig.specimen.bays) * scale
    middle = (left + right) / 2
    start, end = max(left, middle - thick / 2), min(right, middle + thick / 2)
    outline = path("M", start, under - _SPECIMEN, "V", under, "H", end, "V", under - _SPECIMEN)
    words = tag("text", "specimen", x=middle, y=under - 20, text_anchor="middle", cls="halo")
    return Markup().join([tag("path", cls="cut", d=outline), words])


def _walls(left: float, right: float, rim: float, floor: float, *, cut: bool) -> Markup:
    """Floor and walls; what is drawn in part ends in a zigzag and no wall."""
    if not cut:
        walls = path("M", left, rim, "V", floor, "H", right, "V", rim)
        return tag("path", cls="cut", d=walls)
    middle = (rim + floor) / 2
    breaks = " ".join(
        path("M", x, rim, "V", middle - 7, "l", 4, 4, "l", -8, 5, "l", 4, 4, "V", floor)
        for x in (left, right)
    )
    return Markup().join(
        [
            tag("path", cls="cut", d=path("M", left, floor, "H", right)),
            tag("path", cls="thin", d=breaks),
        ]
    )


def _measured(water: Water, under: float, surface: float, floor: float, x: float) -> list[Markup]:
    """The clearance and the depth as dimension lines, where they have room for their heads."""
    found = []
    if surface - under > 8:
        found.append(tag("path", cls="dim got", d=_arrow(x, under, surface)))
    found.append(
        tag(
            "text",
            water.clearance_words,
            cls="v halo",
            x=x - 7,
            y=(under + surface) / 2 + 4,
            text_anchor="end",
        )
    )
    if floor - surface > 26:
        middle = x - 170
        found += [
            tag("path", cls="dim got", d=_arrow(middle, surface, floor)),
            tag("text", water.level_words, cls="v halo", x=middle + 8, y=(surface + floor) / 2 + 4),
        ]
    return found


def _arrow(x: float, top: float, bottom: float) -> str:
    head = min(5.0, (bottom - top) / 2)
    return path(
        *("M", x, top, "V", bottom),
        *("M", x - 3, top + head, "L", x, top, x + 3, top + head),
        *("M", x - 3, bottom - head, "L", x, bottom, x + 3, bottom - head),
    )
