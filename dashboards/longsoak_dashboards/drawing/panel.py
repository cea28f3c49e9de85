"""One of the small multiples as it is to be drawn, and where times and values stand in it."""

from collections.abc import Sequence
from dataclasses import dataclass

from longsoak.store.buckets import Bucket
from longsoak_dashboards.view.scales import Scale
from longsoak_dashboards.view.span import Span

TOP = 20.0  # px free above the highest tick, for the unit
FOOT = 8.0  # px below the lowest


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
class Contact:
    """A time in which water touched the specimen."""

    from_ms: int
    to_ms: int
    words: str


@dataclass(frozen=True, slots=True)
class Panel:
    """One of the small multiples. `declared` are values with their words, in blue pencil.

    `asides` are the times, from and to, that a contact set aside of any of its lines. `empty` is
    said in its midst, in lines, where there is nothing to draw.
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
    contacts: tuple[Contact, ...] = ()
    asides: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Frame:
    """Where times and values stand in a panel whose readings are of intervals of `width_ms`."""

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
        return self.height - FOOT - part * (self.height - TOP - FOOT)

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
