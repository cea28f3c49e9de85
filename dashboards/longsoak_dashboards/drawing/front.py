"""The specimen from its wet face, with the bays and where they are cut."""

from markupsafe import Markup

from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.drawing.svg import path, tag

_POINTS = 322.0


def letter(place: int) -> str:
    """The letter of a bay's section: A, B, ..."""
    return chr(ord("A") + place % 26)


def draw_front(rig: Rig, level: float | None) -> Markup:
    """Draw the front to scale; one SVG unit is one millimetre."""
    specimen, reservoir = rig.specimen, rig.reservoir
    beyond = max(0.0, (reservoir.length - specimen.width) / 2) if reservoir else 0.0
    beyond = min(beyond, 0.1 * specimen.width)
    across = specimen.width + 2 * beyond
    p = max(across / (_POINTS - 12), (specimen.height + specimen.underside) / 180)
    top, bottom = -22 * p, specimen.height + 22 * p
    parts = []
    if reservoir:
        floor = specimen.height + specimen.underside
        bottom = floor + 22 * p
        left, right = -beyond, specimen.width + beyond
        if level is not None and level > 0:
            y = floor - min(level, reservoir.rim)
            d = path("M", left, y, "H", right, "V", floor, "H", left, "Z")
            parts.append(tag("path", cls="water", d=d))
            parts.append(tag("path", cls="waterline", d=path("M", left, y, "H", right)))
        rim = floor - reservoir.rim
        tray = path("M", left, rim, "V", floor, "H", right, "V", rim)
        parts.append(tag("path", cls="outline", d=tray))
    edge = path("M", 0, 0, "H", specimen.width, "V", specimen.height, "H", 0, "Z")
    parts.append(tag("path", cls="outline leaf", d=edge))
    for i, bay in enumerate(specimen.bays):
        if i:
            d = path("M", bay.start, 0, "V", specimen.height)
            parts.append(tag("path", cls="outline", d=d))
        x = (bay.start + bay.end) / 2
        places = [(x + 5 * p, -9 * p), (x + 5 * p, bottom - 6 * p)]
        if specimen.lies:  # it is cut along its width: each bay's section shows what the front does
            places = [(x, specimen.height / 2 + 4 * p)]
        else:
            cut = path("M", x, -16 * p, "V", bottom - 4 * p)
            parts.append(tag("path", cls="dim", stroke_dasharray="12 4 3 4", d=cut))
        parts += [
            tag(
                "text", letter(i), x=at, y=y, font_size=12.3 * p, font_weight="700", cls="d halo"
            )
            for at, y in places
        ]  # fmt: skip
    left = (specimen.width - _POINTS * p) / 2
    seen_from = "the front" if specimen.lies else "its wet face"
    names = ", ".join(f"{letter(i)} {bay.name}" for i, bay in enumerate(specimen.bays))
    return tag(
        "svg",
        *parts,
        cls="front",
        viewBox=f"{left:.2f} {top:.2f} {_POINTS * p:.2f} {bottom - top:.2f}",
        width="64mm",
        role="img",
        aria_label=f"The specimen from {seen_from}, and where its bays are cut: {names}",
    )
