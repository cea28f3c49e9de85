"""A bar of a balance: litres from one amount to another on a common scale."""

from markupsafe import Markup

from longsoak_dashboards.drawing.svg import tag

_LOW = 0.15  # of the width left of zero, for what is below it


def draw_bar(kind: str, begin: float, end: float, most: float) -> Markup:
    """Draw it.

    Parameters
    ----------
    kind : str
        ``in``, ``out``, ``stay`` or ``left``: what is left over is a range with its ends.
    begin, end : float
        Litres, in any order.
    most : float
        What the whole width right of zero stands for.
    """

    def x(litres: float) -> float:
        share = _LOW + (1 - _LOW) * litres / most
        return round(100 * min(max(share, 0.0), 1.0), 2)

    low, high = x(min(begin, end)), x(max(begin, end))
    wide = max(high - low, 0.6)
    if kind != "left":
        body = tag("rect", cls=f"b{kind}", x=f"{low}%", y=1, width=f"{wide:.2f}%", height=11)
        return tag("svg", body)
    middle = 6.5
    ends = [tag("line", x1=f"{at}%", x2=f"{at}%", y1=2, y2=11) for at in (low, high)]
    zero = tag("line", cls="zero", x1=f"{x(0.0)}%", x2=f"{x(0.0)}%", y1=0, y2=13)
    line = tag("line", x1=f"{low}%", x2=f"{high}%", y1=middle, y2=middle)
    return tag("svg", *ends, line, zero)
