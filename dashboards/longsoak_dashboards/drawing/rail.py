"""The whole test as one line: months, phases, top-ups, contacts, gaps, and the time that is shown.

Places across are shares of the width, so that it fits a phone and a desk and its letters keep their
size. What has words of its own is drawn only where they have room on a phone.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak_dashboards.drawing.lettering import width
from longsoak_dashboards.drawing.svg import tag

HEIGHT = 122
NARROW = 328.0  # px: the width on a phone
_SMALL = 12.0
_PHASES, _RULE, _TOP_UPS, _MONTHS, _LINE, _CONTACTS = 12, 20, 24, 52, 58, 61
_HATCH = 20  # px of height of a contact
_NUMBERS = (94, 106)  # base lines of the contacts' numbers
_LEAST = 7.0  # px: a contact of minutes is seen too


@dataclass(frozen=True, slots=True)
class Stretch:
    """From one share of the line to another, 0 to 1, with what stands at it."""

    start: float
    end: float
    words: str


@dataclass(frozen=True, slots=True)
class RailParts:
    """All that the line shows; places are shares of it, 0 to 1. `shown` None is now."""

    label: str
    ticks: tuple[tuple[float, str], ...]
    small_ticks: tuple[float, ...]
    phases: tuple[Stretch, ...]
    top_ups: tuple[float, ...]
    contacts: tuple[Stretch, ...]
    gaps: tuple[Stretch, ...]
    shown: float | None
    shown_words: str


def draw_rail(parts: RailParts) -> Markup:
    """Draw it."""
    drawn = [
        tag(
            "defs",
            tag(
                "pattern",
                tag("path", cls="contact-line", d="M-1 6 6-1M-1 1 1-1M4 6 6 4"),
                id="h-contact",
                width=5,
                height=5,
                patternUnits="userSpaceOnUse",
            ),
        ),
        *_phases(parts.phases),
        *(_tick(at, _LINE - 4) for at in parts.small_ticks),
        *_months(parts.ticks),
        tag("line", cls="cut", x1=0, x2="100%", y1=_LINE, y2=_LINE),
        *_gaps(parts.gaps),
        *(_arrow(at) for at in parts.top_ups),
        *_contacts(parts.contacts),
        *_shown(parts.shown, parts.shown_words),
    ]
    return tag(
        "svg", *drawn, cls="rail", width="100%", height=HEIGHT, role="img", aria_label=parts.label
    )


def _at(share: float) -> str:
    return f"{100 * share:.3f}%"


def _tick(share: float, top: float) -> Markup:
    return tag("line", cls="edge", x1=_at(share), x2=_at(share), y1=top, y2=_LINE)


def _phases(phases: Sequence[Stretch]) -> list[Markup]:
    if not phases:
        return []
    found = [tag("line", cls="dim", x1=_at(phases[0].start), x2="100%", y1=_RULE, y2=_RULE)]
    for number, phase in enumerate(phases, start=1):
        x = _at(phase.start)
        room = (phase.end - phase.start) * NARROW - 10
        words = f"{number} {phase.words}"
        if width(words, size=_SMALL) > room:
            words = f"{number}" if width(f"{number}", size=_SMALL) <= room else ""
        found.append(tag("line", cls="dim", x1=x, x2=x, y1=2, y2=_LINE))
        if words:
            found.append(tag("text", words, cls="d", x=x, dx=5, y=_PHASES))
    return found


def _months(ticks: Sequence[tuple[float, str]]) -> list[Markup]:
    found = []
    for at, words in ticks:
        found.append(tag("line", cls="thin", x1=_at(at), x2=_at(at), y1=_LINE - 13, y2=_LINE))
        if (1 - at) * NARROW >= width(words, size=_SMALL) + 3:
            found.append(tag("text", words, cls="q", x=_at(at), dx=3, y=_MONTHS))
    return found


def _gaps(gaps: Sequence[Stretch]) -> list[Markup]:
    """Where nothing was read the line is left out."""
    found = []
    for gap in gaps:
        for cls, dash in (("gap", None), ("thin", "2 3")):
            found.append(
                tag(
                    "line", tag("title", gap.words), cls=cls, stroke_dasharray=dash,
                    x1=_at(gap.start), x2=_at(gap.end), y1=_LINE, y2=_LINE,
                )
            )  # fmt: skip
    return found


def _arrow(share: float) -> Markup:
    path = tag("path", cls="thin", d="M0 0V13M-3 9 0 13 3 9")
    return tag("svg", path, x=_at(share), y=_TOP_UPS, cls="over")


def _contacts(contacts: Sequence[Stretch]) -> list[Markup]:
    found = []
    ends = [-1.0] * len(_NUMBERS)  # px where the numbers of each row end
    for contact in contacts:
        wide = contact.end - contact.start
        look = {"cls": "contact", "fill": "url(#h-contact)"}
        if wide * NARROW > _LEAST:
            at = {"x": _at(contact.start), "width": _at(wide)}
            found.append(tag("rect", **look, **at, y=_CONTACTS, height=_HATCH))
        else:
            least = tag("rect", **look, x=-_LEAST / 2, width=_LEAST, height=_HATCH)
            x = _at(contact.start + wide / 2)
            found.append(tag("svg", least, x=x, y=_CONTACTS, cls="over"))
        middle, half = (contact.start + wide / 2), width(contact.words, size=_SMALL, bold=True) / 2
        left = middle * NARROW - half
        row = next((row for row, end in enumerate(ends) if end + 3 < left), None)
        if row is not None:
            ends[row] = left + 2 * half
            found.append(
                tag(
                    "text", contact.words, cls="r number", x=_at(middle), y=_NUMBERS[row],
                    text_anchor="middle",
                )
            )  # fmt: skip
    return found


def _shown(share: float | None, words: str) -> list[Markup]:
    at = 1.0 if share is None else share
    anchor, dx = ("end", -6) if at > 0.5 else ("start", 6)
    sign = tag(
        "svg",
        tag("path", cls="outline", d=f"M0 24V{HEIGHT - 4}"),
        tag("path", cls="solid", d="M-5 22H5L0 31Z"),
        x=_at(at), y=0, cls="over",
    )  # fmt: skip
    text = tag("text", words, cls="shown halo", x=_at(at), dx=dx, y=HEIGHT - 4, text_anchor=anchor)
    return [sign, text]
