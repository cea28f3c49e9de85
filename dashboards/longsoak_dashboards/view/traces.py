"""The traces sheet: what its address asks for, and the links from there to other views."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from urllib.parse import urlencode

from starlette.datastructures import QueryParams

from longsoak.core.wording import meant_words, rfc3339, time_words
from longsoak.vocabulary.rig import Kind, Probe, Rig
from longsoak_dashboards.moments import time_of_form
from longsoak_dashboards.view.plans import (
    DEPTH,
    HEIGHT,
    KINDS_OF,
    TOGETHER,
    PanelPlan,
    panels_of,
)
from longsoak_dashboards.view.sentences import capital, counted, moment
from longsoak_dashboards.view.span import HOUR_MS, RANGES, Span

WHATS = {
    "pins": "pins",
    "air": "air and wood",
    "water": "water",
    "reference": "reference",
    "polarisation": "polarisation",
}
BYS = {DEPTH: "by depth", HEIGHT: "by height", TOGETHER: "together"}
WITH, WITHOUT = "with", "without"  # what a contact set aside


@dataclass(frozen=True, slots=True)
class Asked:
    """What the address asks for, after anything it can't mean has been set aside.

    Either `probes` are named, or `what` says which with `bay` and `height` or, where pins stand
    by their height, `depth`. `since_ms` or `until_ms` (UTC) go before `hours`. `wrong` is what to
    say of the rest.
    """

    what: str
    bay: str | None
    height: float | None
    hours: str
    aside: bool = True  # whether what a contact set aside is drawn
    by: str = DEPTH
    depth: float | None = None
    probes: tuple[str, ...] = ()
    since_ms: int | None = None
    until_ms: int | None = None
    wrong: tuple[str, ...] = field(default=(), compare=False)

    @property
    def has_times(self) -> bool:
        """Whether it says from when or to when."""
        return self.since_ms is not None or self.until_ms is not None


@dataclass(frozen=True, slots=True)
class Choice:
    """One of several views of the sheet, as a link."""

    words: str
    address: str
    chosen: bool


def understand(query: QueryParams, rig: Rig, *, first_ms: int | None, end_ms: int) -> Asked:
    """Read the address; what it doesn't say, or says wrongly, becomes what serves most."""
    wrong: list[str] = []
    what = query.get("what", "pins")
    if what not in WHATS or not _of(rig, what):
        what = next((w for w in WHATS if _of(rig, w)), "pins")
    bay: str | None = query.get("bay", "")
    if bay not in {b.name for b in rig.specimen.bays}:
        bay = None
    by = query.get("by", DEPTH)
    by = by if by in BYS else DEPTH
    pins = what == "pins"
    hours = query.get("hours", "")
    if hours not in RANGES:
        lasts = end_ms - (first_ms if first_ms is not None else end_ms)
        hours = "all" if lasts < 720 * HOUR_MS else "720"
    since, until = (_time(query.get(name, ""), name, wrong) for name in ("from", "to"))
    if (end_ms if until is None else until) <= (since or 0):
        wrong.append("The time from is not before the time to, so both are left out.")
        since = until = None
    return Asked(
        what,
        bay,
        _one_of(query.get("height", ""), heights(rig, bay)) if pins and by != HEIGHT else None,
        hours,
        shows_asides(query),
        by,
        _one_of(query.get("depth", ""), depths(rig, bay)) if pins and by == HEIGHT else None,
        _named(query.getlist("probe"), rig, wrong),
        since,
        until,
        tuple(wrong),
    )


def _time(text: str, name: str, wrong: list[str]) -> int | None:
    found = time_of_form(text) if text else None
    if text and found is None:
        wrong.append(
            f"The time {name} can't be read: {text[:40]!r}. Write it as 2026-09-23T12:00, in UTC."
        )
    return found


def _named(names: Sequence[str], rig: Rig, wrong: list[str]) -> tuple[str, ...]:
    known = [probe.name for probe in rig.probes]
    strange = [name for name in names if name not in known]
    if strange:
        near = meant_words(strange[0], known)
        wrong.append(" ".join(filter(None, (f"There is no probe {strange[0][:60]!r}.", near))))
    return tuple(name for name in known if name in names)


def _one_of(text: str, known: Sequence[float]) -> float | None:
    try:
        found = float(text)
    except ValueError:
        found = float("nan")
    return found if found in known else next(iter(known), None)


def shows_asides(query: QueryParams) -> bool:
    """Whether readings that a contact with the water set aside are drawn."""
    return query.get("aside", WITH) != WITHOUT


def heights(rig: Rig, bay: str | None) -> tuple[float, ...]:
    """Heights that pins sit at, the lowest first: there the water comes first."""
    return tuple(sorted({p.height for p in _pins(rig, bay) if p.height is not None}))


def depths(rig: Rig, bay: str | None) -> tuple[float, ...]:
    """Depths that pins sit at, from the wet face on."""
    return tuple(sorted({p.depth for p in _pins(rig, bay) if p.depth is not None}))


def _pins(rig: Rig, bay: str | None) -> list[Probe]:
    return [p for p in rig.probes if p.kind is Kind.PINS and bay in (None, p.bay)]


def choices(
    asked: Asked, rig: Rig, *, has_asides: bool = False
) -> tuple[tuple[str, tuple[Choice, ...]], ...]:
    """The rows of links above the drawings; a row with one choice is left out."""
    whats = [replace(asked, what=what, probes=()) for what in WHATS if _of(rig, what)]
    rows = [("What", [_choice(asked, WHATS[each.what], each) for each in whats])]
    pins = asked.what == "pins" and not asked.probes
    if pins and asked.by == HEIGHT:
        deep = [(f"{d:g} mm", replace(asked, depth=d)) for d in depths(rig, asked.bay)]
        rows.append(("Depth", [_choice(asked, *each) for each in deep]))
    elif pins:
        high = [(f"{h:g} mm", replace(asked, height=h)) for h in heights(rig, asked.bay)]
        rows.append(("Height", [_choice(asked, *each) for each in high]))
    if pins and len(rig.specimen.bays) > 1:
        every = "both bays" if len(rig.specimen.bays) == 2 else "all bays"
        bays = [(every, None), *((b.name, b.name) for b in rig.specimen.bays)]
        rows.append(
            ("Bay", [_choice(asked, words, replace(asked, bay=bay)) for words, bay in bays])
        )
    if pins or any(p.kind is Kind.PINS for p in shown(asked, rig)):
        parted = [(words, _parted(asked, by, rig)) for by, words in BYS.items()]
        rows.append(("Drawn", [_choice(asked, *each) for each in parted]))
    times = [
        (words, replace(asked, hours=hours, since_ms=None, until_ms=None))
        for hours, words in RANGES.items()
    ]
    rows.append(("Time", [_choice(asked, *each) for each in times]))
    if has_asides:
        ways = [("drawn thin", True), ("left out", False)]
        rows.append(
            (
                "Set aside after a contact",
                [_choice(asked, words, replace(asked, aside=way)) for words, way in ways],
            )
        )
    return tuple((name, tuple(row)) for name, row in rows if len(row) > 1)


def _parted(asked: Asked, by: str, rig: Rig) -> Asked:
    """The same parted otherwise, which may be of another row of pins."""
    if asked.probes or (by == HEIGHT) == (asked.by == HEIGHT):
        return replace(asked, by=by)
    if by == HEIGHT:
        return replace(asked, by=by, height=None, depth=next(iter(depths(rig, asked.bay)), None))
    return replace(asked, by=by, depth=None, height=next(iter(heights(rig, asked.bay)), None))


def shown(asked: Asked, rig: Rig) -> list[Probe]:
    """The probes that are asked for, in the order of the rig file."""
    if asked.probes:
        return [p for p in rig.probes if p.name in asked.probes]
    if asked.what != "pins":
        return [p for p in rig.probes if p.kind in KINDS_OF[asked.what]]
    if asked.by == HEIGHT:
        return [p for p in _pins(rig, asked.bay) if p.depth in (asked.depth, None)]
    return [p for p in _pins(rig, asked.bay) if p.height in (asked.height, None)]


def panels(asked: Asked, rig: Rig) -> tuple[PanelPlan, ...]:
    """The small multiples of a request."""
    return panels_of(shown(asked, rig), rig, by=asked.by, bay=asked.bay)


def lead(asked: Asked, plans: Sequence[PanelPlan], *, span: Span, now_ms: int) -> str:
    """What is shown, as a sentence."""
    time = _time_words(asked, span, now_ms=now_ms)
    if asked.probes:
        many = counted(sum(len(plan.probes) for plan in plans), "probe", "probes")
        return f"{capital(many)}, {time}, {BYS[asked.by]}."
    if asked.what != "pins":
        return f"{capital(WHATS[asked.what])}, {time}."
    if not plans:
        return "There are no pins in this rig."
    where = f" {asked.height:g} mm above the underside" if asked.height is not None else ""
    if asked.depth is not None:
        where = f" {asked.depth:g} mm deep"
    bay = f" in {asked.bay}" if asked.bay else ""
    return f"Pins{where}{bay}, {time}, {BYS[asked.by]}."


def _time_words(asked: Asked, span: Span, *, now_ms: int) -> str:
    if asked.has_times:
        since, until = (moment(ms, now_ms=now_ms) for ms in (span.since_ms, span.until_ms))
        return f"{since} to {until} UTC" if asked.until_ms is not None else f"since {since} UTC"
    if asked.hours == "all":
        return "since the first reading"
    return f"last {({'1': 'hour', '24': 'day'}).get(asked.hours, RANGES[asked.hours])}"


def address_of(asked: Asked, *, path: str = "/traces") -> str:
    """The address that asks for this."""
    pairs: list[tuple[str, str]] = [("probe", name) for name in asked.probes]
    if not asked.probes:
        pairs.append(("what", asked.what))
        pairs += [("bay", asked.bay)] if asked.bay is not None else []
        for name, length in (("height", asked.height), ("depth", asked.depth)):
            pairs += [(name, f"{length:g}")] if length is not None else []
    pairs += [("by", asked.by)] if asked.by != DEPTH else []
    for name, at in (("from", asked.since_ms), ("to", asked.until_ms)):
        pairs += [(name, rfc3339(at))] if at is not None else []
    pairs += [] if asked.has_times else [("hours", asked.hours)]
    pairs += [] if asked.aside else [("aside", WITHOUT)]
    return f"{path}?{urlencode(pairs)}"


def readings_address(names: Sequence[str], span: Span, *, aside: bool) -> str:
    """Where every single reading of some probes over a time is read as CSV."""
    pairs = [("probe", name) for name in names]
    pairs += [("from", rfc3339(span.since_ms)), ("to", rfc3339(span.until_ms))]
    pairs += [("format", "csv"), ("points", "all")]
    return f"/api/1/readings?{urlencode(pairs + ([] if aside else [('aside', WITHOUT)]))}"


def between_words(span: Span) -> str:
    """The time drawn in full: "23 Sep 2026, 12:00:00 UTC to 24 Sep 2026, 12:00:00 UTC"."""
    return f"{time_words(span.since_ms)} to {time_words(span.until_ms)}"


def _choice(asked: Asked, words: str, then: Asked) -> Choice:
    return Choice(words, address_of(then), chosen=then == asked)


def _of(rig: Rig, what: str) -> bool:
    return any(p.kind in KINDS_OF[what] for p in rig.probes)
