"""Small multiples over time. Positions across are percentages, so that lettering keeps its size."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from markupsafe import Markup

from longsoak.store.buckets import Bucket
from longsoak.vocabulary.flags import Flag
from longsoak_dashboards.drawing.svg import number, path, tag
from longsoak_dashboards.view.scales import Scale
from longsoak_dashboards.view.traces import MOST_LINES, Span

_TOP = 20.0  # px free above the highest tick, for the unit
_FOOT = 8.0  # px below the lowest
_SHAPE_EVERY = 0.06  # of the width, between two shapes of one line
_CARET_EVERY = 0.07
_LABEL_ROOM = 0.36  # of the width: what a gap's words take on a phone


@dataclass(frozen=True, slots=True)
class Line:
    """One probe's readings over the time shown, in the panel's unit.

    `patience_ms` without a reading makes a gap.
    """

    name: str
    buckets: tuple[Bucket, ...]
    patience_ms: float
    stepped: bool = False


@dataclass(frozen=True, slots=True)
class Gap:
    """A time in which nothing at all was recorded, with what to say about it."""

    from_ms: int
    to_ms: int
    words: str


@dataclass(frozen=True, slots=True)
class Panel:
    """One of the small multiples. `declared` are values with their words, in blue pencil.

    `empty` is said in its midst, in lines, where there is nothing to draw.
    """

    label: str
    lines: tuple[Line, ...]
    scale: Scale
    tick_words: tuple[str, ...]
    unit: str
    declared: tuple[tuple[float, str], ...] = ()
    height: float = 140.0
    names_gaps: bool = False
    empty: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Frame:
    span: Span
    width_ms: int
    scale: Scale
    height: float
    gaps: Sequence[Gap]

    def x(self, utc_ms: float) -> float:
        """Where a time stands, as a fraction of the width."""
        part = (utc_ms - self.span.since_ms) / (self.span.until_ms - self.span.since_ms)
        return min(max(part, 0.0), 1.0)

    def y(self, value: float) -> float:
        """Where a value stands, px from the top."""
        part = (value - self.scale.low) / (self.scale.high - self.scale.low)
        return self.height - _FOOT - part * (self.height - _TOP - _FOOT)

    def at(self, bucket: Bucket) -> float:
        """The middle of a bucket, as a fraction of the width; never inside a gap."""
        middle = bucket.utc_ms + self.width_ms / 2
        for gap in self.gaps:
            if gap.from_ms < middle < gap.to_ms:
                middle = gap.from_ms if bucket.utc_ms <= gap.from_ms else gap.to_ms
        return self.x(min(middle, self.span.until_ms))

    def gap_between(self, one: Bucket, other: Bucket, *, longer_than_ms: float) -> bool:
        """Whether nothing was recorded for a while between two buckets."""
        half = self.width_ms / 2
        return any(
            one.utc_ms + half <= (gap.from_ms + gap.to_ms) / 2 < other.utc_ms + half
            for gap in self.gaps
            if gap.to_ms - gap.from_ms > longer_than_ms
        )


def draw_panel(panel: Panel, span: Span, gaps: Sequence[Gap], *, buckets: int) -> Markup:
    """Draw one panel: ticks, gaps, declared values, and a line per probe."""
    width_ms = max(1, -(-(span.until_ms - span.since_ms) // buckets))
    frame = _Frame(span, width_ms, panel.scale, panel.height, gaps)
    parts = [*_grid(panel, frame), *_gap_marks(panel, frame), *_declared(panel, frame)]
    bands, strokes, shapes = [], [], []
    for i, line in enumerate(panel.lines):
        runs = list(_runs(line, frame))
        bands += [_band(run, frame) for run in runs]
        strokes += list(_strokes(runs, line, frame, style=i % MOST_LINES))
        shapes += list(_shapes(line, runs, frame))
    for i, words in enumerate(panel.empty):
        y = panel.height / 2 + 16 * (i - (len(panel.empty) - 1) / 2)
        parts.append(tag("text", words, cls="q", x="50%", y=y, text_anchor="middle"))
    drawn = tag(
        "svg", *[band for band in bands if band], *strokes,
        viewBox=f"0 0 1000 {panel.height:g}", preserveAspectRatio="none",
        width="100%", height=panel.height,
    )  # fmt: skip
    return tag(
        "svg", *parts, drawn, *shapes, *_ticks(panel, frame), width="100%", height=panel.height,
        role="img", aria_label=panel.label,
    )  # fmt: skip


def draw_axis(span: Span, ticks: Sequence[tuple[int, str]]) -> Markup:
    """The time axis below the last panel."""
    parts = [tag("line", cls="thin", x1="0", x2="100%", y1=1, y2=1)]
    for at, words in ticks:
        part = (at - span.since_ms) / (span.until_ms - span.since_ms)
        x = _percent(part)
        anchor = "end" if part > 0.94 else "middle"
        parts.append(tag("line", cls="thin", x1=x, x2=x, y1=1, y2=7))
        parts.append(tag("text", words, x=x, y=20, text_anchor=anchor))
    return tag("svg", *parts, cls="axis", width="100%", height=26, aria_hidden="true")


def draw_swatch(style: int) -> Markup:
    """A short piece of a line, to stand before its name."""
    return tag(
        "svg", tag("path", cls=f"trace t{style % MOST_LINES}", d="M0 4H34"),
        cls="swatch", viewBox="0 0 34 8", aria_hidden="true",
    )  # fmt: skip


def _percent(part: float) -> str:
    return f"{number(100 * part)}%"


def _grid(panel: Panel, frame: _Frame) -> Iterator[Markup]:
    for tick in panel.scale.ticks:
        y = frame.y(tick)
        yield tag("line", cls="hair", x1="0", x2="100%", y1=y, y2=y)


def _ticks(panel: Panel, frame: _Frame) -> Iterator[Markup]:
    for tick, words in zip(panel.scale.ticks, panel.tick_words, strict=True):
        yield tag("text", words, cls="q", x=-6, y=frame.y(tick) + 4, text_anchor="end")
    if panel.unit:
        yield tag("text", panel.unit, cls="q", x=-6, y=9, text_anchor="end")


def _gap_marks(panel: Panel, frame: _Frame) -> Iterator[Markup]:
    free_from = 0.0
    for gap in frame.gaps:
        left, right = frame.x(gap.from_ms), frame.x(gap.to_ms)
        if right - left < 0.004:
            continue
        yield tag(
            "rect", cls="gap", x=_percent(left), width=_percent(right - left), y=1,
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
            "text", gap.words, cls="q", x=_percent(left if before else right),
            dx=-4 if before else 4, y=panel.height - 14, text_anchor="end" if before else None,
        )  # fmt: skip


def _declared(panel: Panel, frame: _Frame) -> Iterator[Markup]:
    above = -1000.0
    for value, words in sorted(panel.declared, key=lambda row: -row[0]):
        at = frame.y(value)
        y = at - 4 if at - above >= 17 else at + 12.5  # so that no line crosses the words
        above = at
        yield tag("line", cls="dim", stroke_dasharray="6 3", x1="0", x2="100%", y1=at, y2=at)
        yield tag("text", words, cls="d", x="100%", y=y, text_anchor="end")


def _runs(line: Line, frame: _Frame) -> Iterator[list[Bucket]]:
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


def _apart(one: Bucket, other: Bucket, line: Line, frame: _Frame) -> bool:
    silent = other.utc_ms - one.utc_ms > line.patience_ms + frame.width_ms
    return silent or frame.gap_between(one, other, longer_than_ms=line.patience_ms)


def _level(bucket: Bucket) -> float | None:
    """Where a bucket is drawn: at its mean, or at the end of the curve it lies beyond."""
    if bucket.wetter:
        return bucket.high
    return bucket.low if bucket.drier else bucket.mean


def _beyond(bucket: Bucket) -> bool:
    return bool(bucket.wetter or bucket.drier)


def _band(run: list[Bucket], frame: _Frame) -> Markup:
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
            f"{number(1000 * frame.at(b))} {number(min(max(frame.y(v), 0), frame.height))}"
            for b, v in upper + lower
        ]
        data.append(f"M{'L'.join(points)}Z")
    return tag("path", cls="band", d="".join(data)) if data else Markup()


def _strokes(
    runs: list[list[Bucket]], line: Line, frame: _Frame, *, style: int
) -> Iterator[Markup]:
    plain: list[str] = []
    suspect: list[str] = []
    for run in runs:
        points = [(1000 * frame.at(b), frame.y(_level(b) or 0.0)) for b in run]
        if len(run) == 1:
            kind = suspect if run[0].worst is Flag.SUSPECT else plain
            kind.append(path("M", points[0][0] - 0.7, points[0][1], "h", 1.4))
            continue
        last: list[str] | None = None
        for (one, other), (a, b) in zip(pairwise(run), pairwise(points), strict=True):
            kind = suspect if Flag.SUSPECT in (one.worst, other.worst) else plain
            step = ("H", b[0], "V", b[1]) if line.stepped else ("L", *b)
            if kind is not last:
                kind.append(path("M", *a))
            kind[-1] += " " + path(*step)
            last = kind
    if plain:
        yield tag("path", cls=f"trace t{style}", d=" ".join(plain))
    if suspect:
        yield tag("path", cls="trace sus", d=" ".join(suspect))


def _shapes(line: Line, runs: list[list[Bucket]], frame: _Frame) -> Iterator[Markup]:
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
        yield tag("use", href=f"#m{int(flag)}", x=_percent(x), y=y)
    last_caret = -1.0
    for bucket in (b for run in runs for b in run if _beyond(b)):
        x = frame.at(bucket)
        if last_caret < 0 or x - last_caret >= _CARET_EVERY:
            last_caret = x
            y = frame.y(_level(bucket) or 0.0)
            caret = "M-4 -4 0 -9 4 -4" if bucket.wetter else "M-4 4 0 9 4 4"
            mark = tag("path", cls="mark", d=caret)
            yield tag("svg", mark, x=_percent(x), y=y, overflow="visible")
