"""A column of water from the floor to over the specimen's underside, for whoever pours.

It has no scale across, fills whatever height it is given, and is moved by ``pour.js``: each part is
called by its class, and its places are shares of the height from the top, in %.
"""

from collections.abc import Mapping

from markupsafe import Markup

from longsoak.vocabulary.rig import Reservoir
from longsoak_dashboards.drawing.svg import tag

_ABOVE = 1.27  # the column's height, underside being 1


def heights(
    reservoir: Reservoir, underside: float, *, level: float | None, began: float | None
) -> dict[str, float]:
    """Where each part stands, % of the column's height from its top.

    Parameters
    ----------
    reservoir : Reservoir
        What is declared, mm.
    underside : float
        The specimen's, mm over the floor.
    level, began : float or None
        The water now and when the pouring began, mm; None is not known.
    """
    whole = max(underside * _ABOVE, reservoir.rim)

    def share(height: float) -> float:
        return round(100 - 100 * min(max(height, 0.0), whole) / whole, 2)

    found = {
        "spec": share(underside),
        "stop": share(reservoir.stop),
        "pump": share(reservoir.pump_needs),
        "now": share(0.0 if level is None else level),
    }
    if began is not None:
        found["was"] = share(began)
    return found


def draw_column(places: Mapping[str, float], words: Mapping[str, str], *, says: str) -> Markup:
    """Draw it.

    Parameters
    ----------
    places : mapping
        As `heights` gives them.
    words : mapping
        What stands at ``now``, ``stop``, ``pump`` and, where there is one, ``was``.
    says : str
        All of it in words, for readers that can't see it.
    """
    surface = places["now"]
    parts = [
        tag("rect", cls="fill", x=0, y=f"{surface:g}%", width="100%", height=f"{100 - surface:g}%"),
        tag("rect", cls="spec", x="-2%", y="-2%", width="78%", height=f"{places['spec'] + 2:g}%"),
        tag(
            "text",
            "specimen",
            cls="halo",
            x="37%",
            y=f"{places['spec']:g}%",
            dy=-8,
            text_anchor="middle",
        ),
    ]
    for name in ("was", "pump", "stop", "now"):
        if name not in places:
            continue
        at = f"{places[name]:g}%"
        line = tag("line", cls=f"{name} at", x1=0, x2="100%", y1=at, y2=at)
        text = tag(
            "text", words[name], cls=f"{name} at halo", x="96%", y=at, dy=17, text_anchor="end"
        )
        parts += [line, text]
    return tag("svg", *parts, cls="column", role="img", aria_label=says, overflow="visible")
