"""The time rail under the section: what happened since the first reading, and where one stands."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from markupsafe import Markup

from longsoak.core.phases import Phase
from longsoak.core.wording import day_words, rfc3339
from longsoak.vocabulary.happening import RunGap
from longsoak.vocabulary.water import ContactWindow
from longsoak_dashboards.drawing.rail import NARROW, RailParts, Stretch, draw_rail
from longsoak_dashboards.view.scales import time_ticks
from longsoak_dashboards.view.sentences import moment, span_words, when

_MINUTE, _HOUR, _DAY = 60_000, 3_600_000, 86_400_000
_SHORTEST = 2 * _MINUTE  # a record that is younger has no past worth a rail
_STEPS = (
    (_MINUTE, "a minute"),
    (10 * _MINUTE, "10 minutes"),
    (_HOUR, "an hour"),
    (6 * _HOUR, "6 hours"),
    (_DAY, "a day"),
    (7 * _DAY, "a week"),
)
_MOST_STEPS = 320  # of the usual step: nine months by the day
_LEAST_STEPS = 4
_BY_MONTHS = 60 * _DAY
_MONTH_PX = 34.0  # on a phone: from one month's name to the next


@dataclass(frozen=True, slots=True)
class Step:
    """How far one step goes."""

    ms: int
    words: str
    usual: bool


@dataclass(frozen=True, slots=True)
class Rail:
    """What the rail shows. Times are UTC, ms since 1970; `shown_ms` None is now.

    `earlier` and `later` are the addresses a usual step away, empty where the record ends. `at` is
    the time shown as a form writes it, with the first and the last that may be asked for.
    """

    picture: Markup
    since: str
    first_ms: int
    now_ms: int
    shown_ms: int | None
    shown_words: Markup
    steps: tuple[Step, ...]
    earlier: str
    later: str
    at: str
    phases: tuple[tuple[int, str, Markup], ...]
    contacts: tuple[tuple[int, Markup, str], ...]
    top_ups: int
    gaps: int


def rail(
    *,
    first_ms: int | None,
    now_ms: int,
    shown_ms: int | None,
    top_ups: Iterable[int],
    windows: Sequence[ContactWindow],
    gaps: Sequence[RunGap],
    phases: Sequence[Phase],
) -> Rail | None:
    """Work it out; None while there is no past to go back to.

    Parameters
    ----------
    first_ms, now_ms : int or None, int
        The first reading, and now.
    shown_ms : int or None
        The time that is shown; None is now.
    top_ups : iterable of int
        When water was added.
    windows : sequence of ContactWindow
        Times in which water touched the specimen.
    gaps : sequence of RunGap
        Times without readings.
    phases : sequence of Phase
        Those that count, oldest first.
    """
    if first_ms is None or now_ms - first_ms < _SHORTEST:
        return None
    span = now_ms - first_ms

    def share(utc_ms: float) -> float:
        return min(1.0, max(0.0, (utc_ms - first_ms) / span))

    steps = _steps(span)
    usual = next(step.ms for step in steps if step.usual)
    shown = now_ms if shown_ms is None else shown_ms
    poured = [at for at in top_ups if first_ms <= at <= now_ms]
    begun = [phase for phase in phases if phase.from_ms <= now_ms]
    touched = tuple(
        Stretch(share(w.from_ms), share(w.until_ms or now_ms), f"{w.number}") for w in windows
    )
    known = [gap for gap in gaps if gap.to_utc_ms > gap.from_utc_ms]
    words = "now" if shown_ms is None else moment(shown_ms, now_ms=now_ms)
    ticks, small = _ticks(first_ms, now_ms)
    parts = RailParts(
        label=f"Time since {day_words(first_ms)}: {len(poured)} top-ups, {len(windows)} contacts, "
        f"{len(known)} gaps; shown is {words}",
        ticks=tuple((share(at), name) for at, name in ticks),
        small_ticks=tuple(map(share, small)),
        phases=tuple(
            Stretch(
                share(p.from_ms), share(now_ms if p.until_ms is None else p.until_ms), _called(p)
            )
            for p in begun
        ),
        top_ups=tuple(map(share, poured)),
        contacts=touched,
        gaps=tuple(Stretch(share(g.from_utc_ms), share(g.to_utc_ms), "no readings") for g in known),
        shown=None if shown_ms is None else share(shown_ms),
        shown_words=words,
    )
    return Rail(
        picture=draw_rail(parts),
        since=day_words(first_ms),
        first_ms=first_ms,
        now_ms=now_ms,
        shown_ms=shown_ms,
        shown_words=Markup("now") if shown_ms is None else when(shown_ms, now_ms=now_ms),
        steps=steps,
        earlier=address(shown - usual) if shown - usual >= first_ms else "",
        later=""
        if shown_ms is None
        else (address(shown + usual) if shown + usual < now_ms else "/"),
        at=_form_time(shown),
        phases=tuple(
            (number, _called(phase), when(phase.from_ms, now_ms=now_ms))
            for number, phase in enumerate(begun, start=1)
        ),
        contacts=tuple((w.number, when(w.from_ms, now_ms=now_ms), _lasted(w)) for w in windows),
        top_ups=len(poured),
        gaps=len(known),
    )


def address(utc_ms: int) -> str:
    """Where the section is shown as it was at a time."""
    return f"/?at={rfc3339(utc_ms)}"


def _called(phase: Phase) -> str:
    return phase.name or phase.phase


def _lasted(window: ContactWindow) -> str:
    if window.until_ms is None:
        return "goes on"
    return f"for {span_words((window.until_ms - window.from_ms) / 1000)}"


def _form_time(utc_ms: int) -> str:
    return f"{datetime.fromtimestamp(utc_ms / 1000, UTC):%Y-%m-%dT%H:%M}"


def _steps(span: int) -> tuple[Step, ...]:
    usual = next((ms for ms, _ in _STEPS if span / ms <= _MOST_STEPS), _STEPS[-1][0])
    return tuple(
        Step(ms, words, ms == usual)
        for ms, words in _STEPS
        if ms == usual or _LEAST_STEPS <= span / ms <= 12 * _MOST_STEPS
    )


def _ticks(first_ms: int, now_ms: int) -> tuple[list[tuple[int, str]], list[int]]:
    """Ticks with their words, and small ones without."""
    if now_ms - first_ms < _BY_MONTHS:
        return list(time_ticks(first_ms, now_ms)), []
    months = []
    at = datetime.fromtimestamp(first_ms / 1000, UTC).replace(
        day=1, hour=0, minute=0, second=0, microsecond=0
    )
    while (utc_ms := round(at.timestamp() * 1000)) <= now_ms:
        if utc_ms >= first_ms:
            months.append((utc_ms, f"{at:%b}" if at.month > 1 else f"{at.year}"))
        at = (at + timedelta(days=32)).replace(day=1)
    pitch = NARROW * 30.4 * _DAY / (now_ms - first_ms)
    every = next(n for n in (1, 2, 3, 6, 12, 24, 120) if n * pitch >= _MONTH_PX)
    named = [
        (utc_ms, name)
        for utc_ms, name in months
        if (datetime.fromtimestamp(utc_ms / 1000, UTC).month - 1) % min(every, 12) == 0
    ]
    return named, [utc_ms for utc_ms, _ in months]
