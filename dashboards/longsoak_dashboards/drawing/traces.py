"""Small multiples over time. Positions across are percentages, so that lettering keeps its size."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

from markupsafe import Markup

from longsoak.store.buckets import Bucket
from longsoak.vocabulary.flags import Flag
from longsoak_dashboards.drawing.around import asides, beside, contacts, gap_marks
from longsoak_dashboards.drawing.panel import Frame, Gap, Line, Panel
from longsoak_dashboards.drawing.svg import percent, tag
from longsoak_dashboards.view.plans import MOST_LINES
from longsoak_dashboards.view.span import Span

_SHAPE_EVERY = 0.06  # of the width, between two shapes of one line
_CARET_EVERY = 0.07


def draw_panel(panel: Panel, span: Span, gaps: Sequence[Gap], *, width_ms: int) -> Markup:
    """Draw one panel: ticks, gaps, declared values, a line per probe, and the words beside them.

    Readings were reduced to intervals of `width_ms`. The words run over the right edge.
    """
    frame = Frame(span, width_ms, panel.scale, panel.height, gaps)
    parts = [
        *contacts(panel, frame),
        *_grid(panel, frame),
        *gap_marks(panel, frame),
        *asides(panel, frame),
        *_declared(panel, frame),
    ]
    bands, strokes, shapes = [], [], []
    ends: list[tuple[float, str]] = []
    for i, line in enumerate(panel.lines):
        runs = list(_runs(line, frame))
        bands += [_band(run, frame) for run in runs]
        strokes += list(_strokes(runs, line, frame, style=i % MOST_LINES))
        shapes += list(_shapes(line, runs, frame))
        if runs:
            ends.append((frame.y(_level(runs[-1][-1]) or 0.0), line.name))
    for i, words in enumerate(panel.empty):
        y = panel.height / 2 + 16 * (i - (len(panel.empty) - 1) / 2)
        parts.append(tag("text", words, cls="q", x="50%", y=y, text_anchor="middle"))
    drawn = tag(
        "svg", *[band for band in bands if band], *strokes,
        viewBox=f"0 0 1000 {panel.height:g}", preserveAspectRatio="none",
        width="100%", height=panel.height,
    )  # fmt: skip
    return tag(
        "svg", *parts, drawn, *shapes, *_ticks(panel, frame), *beside(panel, frame, ends),
        width="100%", height=panel.height, overflow="visible", role="img", aria_label=panel.label,
    )  # fmt: skip


def draw_axis(
    span: Span, ticks: Sequence[tuple[int, str]], notes: Sequence[tuple[int, str]] = ()
) -> Markup:
    """The time axis below the last panel, with what the logbook says as numbered marks."""
    parts = [tag("line", cls="thin", x1="0", x2="100%", y1=1, y2=1)]
    for at, words in ticks:
        part = (at - span.since_ms) / (span.until_ms - span.since_ms)
        x = percent(part)
        anchor = "end" if part > 0.94 else "middle"
        parts.append(tag("line", cls="thin", x1=x, x2=x, y1=1, y2=7))
        parts.append(tag("text", words, x=x, y=20, text_anchor=anchor))
    for at, words in notes:
        mark = tag("path", cls="flagpole", d="M0 1V30")
        text = tag("text", words, cls="hand", x=0, y=42, text_anchor="middle")
        part = (at - span.since_ms) / span.length_ms
        parts.append(tag("svg", mark, text, x=percent(part), overflow="visible"))
    height = 46 if notes else 26
    return tag(
        "svg",
        *parts,
        cls="axis",
        width="100%",
        height=height,
        overflow="visible",
        aria_hidden="true",
    )


def draw_swatch(style: int) -> Markup:
    """A short piece of a line, to stand before its name."""
    return tag(
        "svg", tag("path", cls=f"trace t{style % MOST_LINES}", d="M0 4H34"),
        cls="swatch", viewBox="0 0 34 8", aria_hidden="true",
    )  # fmt: skip


def _grid(panel: Panel, frame: Frame) -> Iterator[Markup]:
    for tick in panel.scale.ticks:
        y = frame.y(tick)
        yield tag("line", cls="hair", x1="0", x2="100%", y1=y, y2=y)


def _ticks(panel: Panel, frame: Frame) -> Iterator[Markup]:
    for tick, words in zip(panel.scale.ticks, panel.tick_words, strict=True):
        yield tag("text", words, cls="q", x=-6, y=frame.y(tick) + 4, text_anchor="end")
    if panel.unit:
        yield tag("text", panel.unit, cls="q", x=-6, y=9, text_anchor="end")


def _declared(panel: Panel, frame: Frame) -> Iterator[Markup]:
    for value, _ in panel.declared:
        y = frame.y(value)
        if 0 <= y <= frame.height:
            yield tag("line", cls="dim", stroke_dasharray="6 3", x1="0", x2="100%", y1=y, y2=y)


def _runs(line: Line, frame: Frame) -> Iterator[list[Bucket]]:
    """Stretches with values and without a gap; nothing is ever drawn between two of them."""
    run: list[Bucket] = []
    for bucket in line.buckets:
        if _level(bucket) is None:
            if run:
                yield run
            run = []
            continue
        if run and _apart(run[-1], bucket, line, frame):
            yield run
            run = []
        run.append(bucket)
    if run:
        yield run


def _apart(one: Bucket, other: Bucket, line: Line, frame: Frame) -> bool:
    silent = other.utc_ms - one.utc_ms > line.patience_ms + frame.width_ms
    return silent or frame.gap_between(one, other, longer_than_ms=line.patience_ms)


def _level(bucket: Bucket) -> float | None:
    """Where a bucket is drawn: at its mean, or at the end of the curve it lies beyond."""
    if bucket.wetter:
        return bucket.high
    return bucket.low if bucket.drier else bucket.mean


def _beyond(bucket: Bucket) -> bool:
    return bool(bucket.wetter or bucket.drier)


def _band(run: list[Bucket], frame: Frame) -> Markup:
    """The 95 % band round lowest and highest; none past the end of a curve."""
    pieces: list[list[Bucket]] = []
    piece: list[Bucket] = []
    for bucket in run:
        if bucket.uncertainty is None or _beyond(bucket):
            pieces.append(piece)
            piece = []
        else:
            piece.append(bucket)
    pieces.append(piece)
    data = []
    for piece in pieces:
        if len(piece) < 2:
            continue
        upper = [(b, (b.high or 0) + 2 * (b.uncertainty or 0)) for b in piece]
        lower = [(b, (b.low or 0) - 2 * (b.uncertainty or 0)) for b in reversed(piece)]
        points = [
            _at(1000 * frame.at(b), min(max(frame.y(v), 0), frame.height)) for b, v in upper + lower
        ]
        data.append(f"M{' '.join(points)}Z")
    return tag("path", cls="band", d="".join(data)) if data else Markup()


def _strokes(runs: list[list[Bucket]], line: Line, frame: Frame, *, style: int) -> Iterator[Markup]:
    plain: list[str] = []
    suspect: list[str] = []
    for run in runs:
        points = [(1000 * frame.at(b), frame.y(_level(b) or 0.0)) for b in run]
        if len(run) == 1:
            kind = suspect if run[0].worst is Flag.SUSPECT else plain
            kind.append(f"M{_at(points[0][0] - 0.7, points[0][1])}h1.4")
            continue
        last: list[str] | None = None
        for (one, other), (a, b) in zip(pairwise(run), pairwise(points), strict=True):
            kind = suspect if Flag.SUSPECT in (one.worst, other.worst) else plain
            if kind is not last:
                kind.append(f"M{_at(*a)}")
            kind.append(f"H{b[0]:.1f}V{b[1]:.1f}" if line.stepped else f"L{_at(*b)}")
            last = kind
    if plain:
        yield tag("path", cls=f"trace t{style}", d="".join(plain))
    if suspect:
        yield tag("path", cls="trace sus", d="".join(suspect))


def _at(x: float, y: float) -> str:
    """A point of a drawing 1000 wide, to a tenth: a pixel of a wide screen has five of them."""
    return f"{x:.1f} {y:.1f}"


def _shapes(line: Line, runs: list[list[Bucket]], frame: Frame) -> Iterator[Markup]:
    """Flag shapes along a line, thinned out; carets where it lies beyond its curve."""
    last = {Flag.SUSPECT: -1.0, Flag.FAIL: -1.0, Flag.MISSING: -1.0}
    for bucket in line.buckets:
        flag, x = bucket.worst, frame.at(bucket)
        # A bucket with values of its own isn't marked for a single bad poll among them.
        if flag not in last or (_level(bucket) is not None and flag is not Flag.SUSPECT):
            continue
        if x - last[flag] < _SHAPE_EVERY and last[flag] >= 0:
            continue
        last[flag] = x
        level = _level(bucket)
        y = frame.height - 9 if level is None else max(frame.y(level) - 11, 8)
        yield tag("use", href=f"#m{int(flag)}", x=percent(x), y=y)
    last_caret = -1.0
    for bucket in (b for run in runs for b in run if _beyond(b)):
        x = frame.at(bucket)
        if last_caret < 0 or x - last_caret >= _CARET_EVERY:
            last_caret = x
            y = frame.y(_level(bucket) or 0.0)
            caret = "M-4 -4 0 -9 4 -4" if bucket.wetter else "M-4 4 0 9 4 4"
            mark = tag("path", cls="mark", d=caret)
            yield tag("svg", mark, x=percent(x), y=y, overflow="visible")
