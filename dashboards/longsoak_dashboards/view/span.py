"""The time a sheet shows: a range that ends now, or from and to as the address has them."""

from collections.abc import Sequence
from dataclasses import dataclass

from longsoak.vocabulary.happening import RunGap

HOUR_MS = 3_600_000
_SHORTEST_ALL_MS = 2 * 60_000
_SHORTEST_MS = 1000  # a drawing of no time at all would divide by nothing
RANGES: dict[str, str] = {
    "1": "1 h",
    "6": "6 h",
    "24": "1 day",
    "168": "7 days",
    "720": "30 days",
    "all": "all",
}


@dataclass(frozen=True, slots=True)
class Span:
    """The time shown, UTC, ms since 1970."""

    since_ms: int
    until_ms: int

    @property
    def length_ms(self) -> int:
        """How long it is."""
        return self.until_ms - self.since_ms


def end_of(*, last_ms: int | None, now_ms: int) -> int:
    """Where the time shown ends: now, or at the last reading if the clock was set back past it."""
    return now_ms if last_ms is None else max(now_ms, last_ms)


def span_of(hours: str, *, first_ms: int | None, end_ms: int, gaps: Sequence[RunGap] = ()) -> Span:
    """The time one of `RANGES` covers up to `end_ms`.

    Where the first reading is dated later than that, this boot does not know the time yet: then
    all is what was read since the first of `gaps` after which the clock stood back.
    """
    if hours == "all":
        first = end_ms if first_ms is None else first_ms
        if first > end_ms:
            first = min((g.to_utc_ms for g in gaps if g.to_utc_ms <= end_ms), default=end_ms)
        return Span(min(first, end_ms - _SHORTEST_ALL_MS), end_ms)
    return Span(end_ms - int(hours) * HOUR_MS, end_ms)


def span_between(
    since_ms: int | None, until_ms: int | None, *, first_ms: int | None, end_ms: int
) -> Span:
    """The time between two moments; without one of them, from the first reading or up to now."""
    until = end_ms if until_ms is None else until_ms
    since = since_ms
    if since is None:
        since = until if first_ms is None else first_ms
    return Span(min(since, until - _SHORTEST_MS), until)
