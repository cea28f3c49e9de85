"""Water over the line that the pump needs: how it went lately, and where it is going."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak.core.wording import rfc3339
from longsoak_dashboards.drawing.svg import path, tag
from longsoak_dashboards.view.sentences import date_words

_WIDE, _HIGH = 1000.0, 200.0  # of the inner drawing, which is stretched to the sheet
_TOP = 20.0  # where the stop line lies in it
_PUMP_LINE = "pump line "
_LABEL_SHARE = 0.72  # right of this share of the width a label stands left of its place

_Place = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class Decline:
    """What is drawn. Litres count from the line that the pump needs, times are UTC ms.

    `points` are litres at times, None where nothing is known; `now` and `stop` are litres; `ends`
    are the earliest, the likeliest and the latest time at which the line is reached, None where
    that can't be told.
    """

    points: Sequence[tuple[int, float | None]]
    now_ms: int
    now: float
    stop: float
    ends: tuple[int, int, int] | None


def draw_decline(decline: Decline) -> Markup:
    """The chart; its lettering keeps its size however wide the sheet is."""
    first = min([at for at, _ in decline.points] + [decline.now_ms])
    last = decline.now_ms + (decline.now_ms - first) // 3
    if decline.ends is not None:  # a range that is open to one side would squeeze all else
        _, likely, latest = decline.ends
        last = max(last, min(latest, likely + (likely - decline.now_ms) // 2))
    span = max(1, last - first)
    most = max([decline.stop, decline.now, *(v for _, v in decline.points if v is not None), 0.1])

    def x(at: float) -> float:
        return _WIDE * (min(at, last) - first) / span

    def y(litres: float) -> float:
        return _HIGH - (_HIGH - _TOP) * litres / most

    inner = [
        tag("path", cls="dim", stroke_dasharray="6 3", d=path("M", 0, y(decline.stop), "H", _WIDE))
    ]
    now_x, now_y = x(decline.now_ms), y(decline.now)
    if decline.ends is not None:
        low, best = (x(at) for at in decline.ends[:2])
        left = 1 - (last - decline.now_ms) / max(1, decline.ends[2] - decline.now_ms)
        high = (x(decline.ends[2]), y(decline.now * max(0.0, left)))
        wedge = path("M", now_x, now_y, "L", low, _HIGH, high[0], _HIGH, *high, "Z")
        edges = path("M", now_x, now_y, "L", low, _HIGH, "M", now_x, now_y, "L", *high)
        inner += [
            tag("path", cls="wedge", d=wedge),
            tag("path", cls="thin edges", d=edges),
            tag(
                "path",
                cls="outline",
                stroke_dasharray="7 4",
                d=path("M", now_x, now_y, "L", best, _HIGH),
            ),
        ]
    inner += [
        tag("path", cls="went", d=_went(decline.points, x, y)),
        tag("path", cls="dim", stroke_dasharray="6 3", d=path("M", 0, _HIGH, "H", _WIDE)),
    ]
    drawing = tag(
        "svg",
        *inner,
        viewBox=f"0 0 {_WIDE:g} {_HIGH:g}",
        preserveAspectRatio="none",
        y=10,
        width="100%",
        height=180,
        overflow="visible",
    )
    labels = [
        tag(
            "text",
            f"stop line, {decline.stop:.1f} L above",
            cls="d",
            x=0,
            y=23 + 0.9 * (y(decline.stop) - _TOP),
        ),
        tag("text", "pump line, 0 L", cls="d", x=0, y=206),
        _standing(now_x, f"now {decline.now:.1f} L above"),
    ]
    if decline.ends is not None:
        labels.append(_ending(x(decline.ends[1]), decline.ends[1]))
    return tag(
        "svg",
        drawing,
        *labels,
        cls="chart",
        width="100%",
        height=220,
        role="img",
        aria_label="Litres above the pump line, lately and on to dry",
    )


def _went(points: Sequence[tuple[int, float | None]], x: _Place, y: _Place) -> str:
    steps: list[str | float] = []
    pen_up = True
    for at, litres in points:
        if litres is None:
            pen_up = True
            continue
        steps += ["M" if pen_up else "L", x(at), y(max(0.0, litres))]
        pen_up = False
    return path(*steps)


def _standing(place: float, words: str) -> Markup:
    left = place / _WIDE < _LABEL_SHARE
    return tag(
        "svg",
        tag("path", cls="thin", d="M0 10V190"),
        tag("text", words, x=6 if left else -6, y=44, cls="v", text_anchor=None if left else "end"),
        x=f"{place / _WIDE:.2%}",
        overflow="visible",
    )


def _ending(place: float, utc_ms: int) -> Markup:
    share = place / _WIDE
    anchor = "end" if share > 0.9 else "middle"
    return tag(
        "svg",
        tag("circle", r=4, cls="solid"),
        # A day as `sentences.date` has it, which ``zones.js`` shows in the reader's zone.
        tag(
            "text",
            f"{_PUMP_LINE}{date_words(utc_ms)}",
            y=18,
            cls="v",
            text_anchor=anchor,
            data_utc=rfc3339(utc_ms),
            data_form="date",
            data_before=_PUMP_LINE,
        ),
        x=f"{share:.2%}",
        y=190,
        overflow="visible",
    )
