"""What lies around the lines of a panel: gaps, contacts, what they set aside, words beside it."""

from collections.abc import Iterator, Sequence

from markupsafe import Markup

from longsoak_dashboards.drawing.beside import LINE, in_lines, spread
from longsoak_dashboards.drawing.panel import Frame, Panel
from longsoak_dashboards.drawing.svg import path, percent, tag

LONGEST = 13  # characters beside a drawing, as many as have room on a phone
_LABEL_ROOM = 0.36  # of the width: what a gap's words take on a phone
_WORDS_ROOM = 0.14  # of the width, from which a contact or what it set aside is named


def height_for(words: Sequence[str], *, least: float) -> float:
    """How high a panel has to be for all the words beside it, px."""
    return max(least, LINE * sum(len(in_lines(each, longest=LONGEST)) for each in words))


def gap_marks(panel: Panel, frame: Frame) -> Iterator[Markup]:
    """Dotted boxes where nothing was recorded, and why in the first panel."""
    free_from = 0.0
    for gap in frame.gaps:
        left, right = frame.x(gap.from_ms), frame.x(gap.to_ms)
        if right - left < 0.004:
            continue
        yield tag(
            "rect", cls="gap", x=percent(left), width=percent(right - left), y=1,
            height=panel.height - 2,
        )  # fmt: skip
        if not panel.names_gaps:
            continue
        before = right + _LABEL_ROOM > 1
        start = left - _LABEL_ROOM if before else right
        if start < free_from:
            continue
        free_from = left if before else right + _LABEL_ROOM
        yield tag(
            "text", gap.words, cls="q", x=percent(left if before else right),
            dx=-4 if before else 4, y=panel.height - 14, text_anchor="end" if before else None,
        )  # fmt: skip


def beside(panel: Panel, frame: Frame, ends: Sequence[tuple[float, str]]) -> Iterator[Markup]:
    """The names of lines and declared values beside the drawing, where they cross nothing."""
    if len(panel.lines) < 2 and not panel.declared:
        return  # its title names it
    levels = [(frame.y(value), words) for value, words in panel.declared]
    rows = [
        *((y, in_lines(words, longest=LONGEST), "") for y, words in ends),
        *((y, in_lines(words, longest=LONGEST), "d") for y, words in levels if y >= 0),
    ]
    sizes = [LINE * len(lines) for _, lines, _ in rows]
    middles = spread([y for y, _, _ in rows], sizes, low=0.0, high=frame.height)
    for (y, lines, cls), size, middle in zip(rows, sizes, middles, strict=True):
        leader = tag("path", cls="dim" if cls else "thin", d=path("M", 1, y, "L", 7, middle))
        first = middle - size / 2 + LINE - 3.5
        words = [
            tag("text", line, cls=cls or None, x=10, y=first + LINE * i)
            for i, line in enumerate(lines)
        ]
        yield tag("svg", leader, *words, x="100%", overflow="visible", aria_hidden="true")


def contacts(panel: Panel, frame: Frame) -> Iterator[Markup]:
    """Times in which water touched the specimen, hatched in red."""
    for contact in panel.contacts:
        left, right = frame.x(contact.from_ms), frame.x(contact.to_ms)
        if contact.to_ms <= frame.span.since_ms or contact.from_ms >= frame.span.until_ms:
            continue
        # Were it hours in months, it would be too thin to be seen.
        yield tag(
            "rect", cls="contact", fill="url(#h-contact)", x=percent(left), y=0,
            width=percent(max(right - left, 0.004)), height=frame.height,
        )  # fmt: skip
        if panel.names_gaps:
            end = left > 1 - _WORDS_ROOM
            yield tag(
                "text", contact.words, cls="r", x=percent(left if end else right), y=11,
                dx=-4 if end else 4, text_anchor="end" if end else None,
            )  # fmt: skip


def asides(panel: Panel, frame: Frame) -> Iterator[Markup]:
    """A bracket along the foot over what a contact set aside."""
    for from_ms, to_ms in panel.asides:
        left, right = frame.x(from_ms), frame.x(to_ms)
        if left >= right:
            continue
        y = frame.height - 3
        x1, x2 = percent(left), percent(right)
        yield tag("line", cls="aside", x1=x1, x2=x2, y1=y, y2=y)
        for x in (x1, x2):
            yield tag("line", cls="aside", x1=x, x2=x, y1=y - 4, y2=y + 3)
        if right - left > _WORDS_ROOM:
            yield tag("text", "set aside", cls="r", x=x1, dx=5, y=y - 4)
