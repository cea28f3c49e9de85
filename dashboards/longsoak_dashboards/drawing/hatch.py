"""Hatching by material: patterns of our own, one set per drawing so that they keep their size."""

from markupsafe import Markup

from longsoak.vocabulary.rig import Material
from longsoak_dashboards.drawing.svg import tag


def _line(d: str, weight: float = 0.5) -> Markup:
    return tag("path", d=d, cls="hatch", stroke_width=weight)


def _dot(x: float, y: float, r: float) -> Markup:
    return tag("circle", cx=x, cy=y, r=r, cls="grain")


def _cell(x: float, y: float, rx: float, ry: float, turn: float) -> Markup:
    return tag(
        "ellipse", cx=x, cy=y, rx=rx, ry=ry, cls="hatch", stroke_width=0.6,
        transform=f"rotate({turn:g} {x:g} {y:g})",
    )  # fmt: skip


_PATTERNS: dict[Material, tuple[float, float, tuple[Markup, ...]]] = {
    Material.TIMBER: (6, 44, (_line("M1.5 0V28M4.5 10V44"),)),
    Material.CORK: (
        14,
        13,
        (
            _cell(3.5, 3.5, 2.2, 1.4, -20),
            _cell(10.5, 9.5, 1.7, 1.2, 30),
            _dot(9, 3, 0.5),
            _dot(3, 9.5, 0.5),
        ),
    ),
    Material.LIME: (9, 9, (_dot(2, 2, 0.55), _dot(6.5, 4.5, 0.45), _dot(3, 7, 0.5))),
    Material.MASONRY: (28, 16, (_line("M0 .5H28M0 8.5H28M8 .5V8.5M22 8.5V16.5"),)),
    Material.CONCRETE: (
        18,
        17,
        (_line("M3 5 6.5 4 5 8ZM12 13 14.5 11 15 14Z"), _dot(12, 4, 0.6), _dot(5, 13, 0.6)),
    ),
    Material.BOARD: (8, 5, (_line("M0 1H5M3 3.5H8"),)),
    Material.INSULATION: (14, 10, (_line("M0 2Q3.5 -2 7 2T14 2M0 7Q3.5 3 7 7T14 7"),)),
    Material.OTHER: (8, 8, (_line("M-1 9 9 -1M-1 1 1 -1M7 9 9 7"),)),
}


def patterns(used: set[Material], *, name: str, point: float) -> Markup:
    """The patterns of `used` materials, drawn at the size of lettering, not of the specimen."""
    return Markup().join(
        tag(
            "pattern",
            *_PATTERNS[material][2],
            id=f"{name}-{material}",
            width=_PATTERNS[material][0],
            height=_PATTERNS[material][1],
            patternUnits="userSpaceOnUse",
            patternTransform=f"scale({point:.4f})",
        )
        for material in sorted(used)
    )
