"""The key to the wash: its seven steps, and where each ends."""

from markupsafe import Markup

from longsoak_dashboards.drawing.svg import tag
from longsoak_dashboards.drawing.wash import BOUNDS

_WIDE, _HIGH = 322.0, 44.0


def draw_key() -> Markup:
    """Draw it."""
    step = (_WIDE - 2) / (len(BOUNDS) + 1)
    parts = [
        tag("rect", cls=f"w{k}", x=1 + k * step, y=1, width=step, height=22)
        for k in range(len(BOUNDS) + 1)
    ]
    parts += [
        tag("text", f"{bound:g}", x=1 + (k + 1) * step, y=40, text_anchor="middle")
        for k, bound in enumerate(BOUNDS)
    ]
    return tag(
        "svg",
        *parts,
        cls="wash",
        viewBox=f"0 0 {_WIDE:g} {_HIGH:g}",
        role="img",
        aria_label=f"Wash: seven steps, from under {BOUNDS[0]:g} to {BOUNDS[-1]:g} % and more",
    )
