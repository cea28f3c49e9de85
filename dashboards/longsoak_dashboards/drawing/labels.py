"""What each probe reads, printed where it was measured, so that no two values meet."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak_dashboards.drawing.callouts import LINE, SMALL
from longsoak_dashboards.drawing.figures import SHAPE, shape_box
from longsoak_dashboards.drawing.lettering import Board, Box, width
from longsoak_dashboards.drawing.sheet import VALUE, Sheet
from longsoak_dashboards.drawing.svg import path, tag
from longsoak_dashboards.drawing.taps import Corner, taps
from longsoak_dashboards.view.marks import Mark
from longsoak_dashboards.view.sentences import counts_from

_LEAST_HIT = 26.0  # points: 24 px of a phone (WCAG 2.2, 2.5.8), and a little more
_NEAR = 28.0  # points a value may be moved with its age
_FAR = 40.0  # points it may be moved at all: further off, it would be taken for another's
_FAR_IF_RED = 80.0  # points, for one that wants a look: few do, and a line leads to it
_FAR_IF_LYING = 92.0  # points, up to the room over a specimen that lies, by such a line

Lines = tuple[tuple[str, str, str], ...]  # words, their unit, their class


@dataclass(frozen=True, slots=True)
class _Label:
    """A probe's place on the sheet, and its lettering.

    `full` with its age; `brief` without, first with what the value is of under it, then in the
    place of the sign for per cent.
    """

    mark: Mark
    x: float
    y: float
    full: Lines
    brief: tuple[Lines, ...]


def draw_labels(
    sheet: Sheet, marks: Sequence[Mark], taken: Iterable[Box], link: Callable[[Mark], str]
) -> tuple[Markup, int]:
    """Shapes and lettering of `marks`, clear of what is `taken`; and how many had no room.

    A value stands under its shape or as near to it as there is room, with what it is of: without
    that a wood-equivalent would be taken for a moisture content. Where it is crowded the age is
    left out; where a value would have to stand far off, it is left to the table.
    """
    p = sheet.point
    labels = [_label(sheet, mark, marks) for mark in marks]
    labels.sort(key=lambda label: (label.y, label.x))
    boxes = [*taken, *(shape_box(label.x, label.y, p) for label in labels)]
    placed = _place(sheet, labels, boxes)
    if any(label.mark.wants_a_look and i not in placed for i, label in enumerate(labels)):
        placed = _place(sheet, labels, boxes, red_first=True)
    leads, words = [], []
    for i, label in enumerate(labels):
        lines, found = placed.get(i, ((), None))
        words.append(_one(sheet, label, lines, found, link(label.mark)))
        near = (label.x, label.y) if found is None else found.nearest(label.x, label.y)
        if abs(near[0] - label.x) + abs(near[1] - label.y) > (SHAPE + 3) * p:
            d = path("M", label.x, label.y, "L", near[0], near[1])
            leads.append(tag("path", cls="lead-line", d=d))
    areas = taps([(label.x, label.y) for label in labels], point=p)
    hits = tag(
        "g",
        *(_hit(area, link(label.mark)) for area, label in zip(areas, labels, strict=True) if area),
        aria_hidden="true",
    )
    return Markup().join([*leads, hits, *words]), len(labels) - len(placed)


def _hit(area: Sequence[Corner], address: str) -> Markup:
    """What a thumb hits beside a label; the label itself is the link that is read out."""
    (x, y), *rest = area
    d = path("M", x, y, *(part for x, y in rest for part in ("L", x, y)), "Z")
    return tag("a", tag("path", cls="hit", d=d), href=address, tabindex="-1")


def _place(
    sheet: Sheet, labels: Sequence[_Label], taken: Sequence[Box], *, red_first: bool = False
) -> dict[int, tuple[Lines, Box]]:
    """Lines and box of each label that found room, by its number."""
    p = sheet.point
    top = 2 * p - sheet.above
    area = Box(sheet.view.left + 2 * p, top, sheet.view.right - 2 * p, sheet.height - 2 * p)
    board = Board(area, taken)
    placed: dict[int, tuple[Lines, Box]] = {}
    order = list(enumerate(labels))
    if red_first:
        order.sort(key=lambda pair: not pair[1].mark.wants_a_look)
    for i, label in order:
        far = _FAR_IF_RED if label.mark.wants_a_look else _FAR
        far = _FAR_IF_LYING if sheet.lies else far
        for lines, reach in ((label.full, _NEAR), *((lines, far) for lines in label.brief)):
            box = board.place(_wanted(label, lines, p), step=3 * p, reach=reach * p)
            if box is not None:
                placed[i] = (lines, box)
                break
    return placed


def _label(sheet: Sheet, mark: Mark, marks: Sequence[Mark]) -> _Label:
    probe = mark.probe
    x, y = sheet.place(probe)
    sign = mark.unit.split(" ")[0]
    value = (mark.value, sign, "v")
    under = [(mark.of, "", "of")] if mark.of else []
    rest = []
    if mark.word:
        rest.append((mark.word, "", "r" if mark.wants_a_look else "word"))
    twins = [m for m in marks if sheet.place(m.probe) == (x, y)]
    if len(twins) > 1 and not sheet.lies and probe.across is not None:
        rest.append((f"{probe.across:g} across", "", "d"))
    return _Label(
        mark,
        x=x,
        y=y,
        full=(value, *under, (mark.age, "", "age"), *rest),
        brief=((value, *under, *rest), ((mark.value, mark.of or sign, "v"), *rest)),
    )


def _wanted(label: _Label, lines: Lines, p: float) -> Box:
    value, unit, _ = lines[0]
    wide = width(value, size=VALUE, bold=True) + width(unit, size=SMALL) + 2
    half = (max(wide, *(width(words, size=SMALL) for words, _, _ in lines)) + 5) / 2 * p
    top = label.y + SHAPE * p
    high = (2 + VALUE + LINE * (len(lines) - 1) * 0.9) * p
    return Box(label.x - half, top, label.x + half, top + high)


def _one(sheet: Sheet, label: _Label, lines: Lines, box: Box | None, address: str) -> Markup:
    p = sheet.point
    shape = tag(
        "use", href=f"#m{label.mark.shape}",
        transform=f"translate({label.x:.2f} {label.y:.2f}) scale({p:.4f})",
    )  # fmt: skip
    frame = shape_box(label.x, label.y, p) if box is None else box
    wide = max(frame.right - frame.left, _LEAST_HIT * p)
    high = max(frame.bottom - frame.top, _LEAST_HIT * p)
    hit = tag(
        "rect", cls="hit", x=(frame.left + frame.right - wide) / 2,
        y=(frame.top + frame.bottom - high) / 2, width=wide, height=high,
    )  # fmt: skip
    age = None if label.mark.age_s is None else counts_from(label.mark.age_s)
    texts = []
    if box is not None:
        middle, y = (box.left + box.right) / 2, box.top + (VALUE - 1) * p
        for i, (words, unit, cls) in enumerate(lines):
            tail = tag("tspan", unit, cls="u", dx=1.5 * p, font_size=SMALL * p) if unit else ""
            struck = label.mark.struck and not i
            texts.append(
                tag(
                    "text", tag("tspan", words, cls="struck") if struck else words, tail,
                    x=middle, y=y + i * LINE * 0.9 * p, font_size=(SMALL if i else VALUE) * p,
                    cls=f"{cls} halo", text_anchor="middle", data_age=age if cls == "age" else None,
                )
            )  # fmt: skip
    return tag(
        "a", hit, shape, *texts, href=address, cls="p", aria_label=label.mark.spoken,
        data_probe=label.mark.probe.name,
    )  # fmt: skip
