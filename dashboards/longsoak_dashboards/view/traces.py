"""The traces sheet: what to draw, of which probes, over which time."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from longsoak.vocabulary.happening import RunGap
from longsoak.vocabulary.rig import PUMP, Kind, Probe, Rig
from longsoak_dashboards.view.sentences import capital

HOUR_MS = 3_600_000
_SHORTEST_ALL_MS = 2 * 60_000
MOST_LINES = 6  # in one panel: there are as many strokes that can be told apart
WHATS = {
    "pins": "pins",
    "air": "air and wood",
    "water": "water",
    "reference": "reference",
    "polarisation": "polarisation",
}
KINDS_OF: Mapping[str, tuple[Kind, ...]] = {
    "pins": (Kind.PINS,),
    "air": (Kind.TEMPERATURE, Kind.HUMIDITY),
    "water": (Kind.LEVEL, Kind.FLOAT, *PUMP, Kind.SCALE, Kind.CONDUCTIVITY, Kind.PH, Kind.BUTTON),
    "reference": (Kind.REFERENCE,),
    "polarisation": (Kind.POLARISATION,),
}
WITH, WITHOUT = "with", "without"  # what a contact set aside
RANGES: dict[str, str] = {
    "1": "1 h",
    "6": "6 h",
    "24": "1 day",
    "168": "7 days",
    "720": "30 days",
    "all": "all",
}


@dataclass(frozen=True, slots=True)
class Asked:
    """What the address asks for, after anything it can't mean has been set aside."""

    what: str
    bay: str | None
    height: float | None
    hours: str
    aside: bool = True  # whether what a contact set aside is drawn


@dataclass(frozen=True, slots=True)
class Choice:
    """One of several views of the sheet, as a link."""

    words: str
    address: str
    chosen: bool


@dataclass(frozen=True, slots=True)
class Span:
    """The time shown, UTC, ms since 1970."""

    since_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class PanelPlan:
    """One of the small multiples before its readings are fetched."""

    title: str
    note: str
    kind: Kind
    probes: tuple[Probe, ...]


def understand(query: Mapping[str, str], rig: Rig, *, first_ms: int | None, end_ms: int) -> Asked:
    """Read the address; what it doesn't say, or says wrongly, becomes what serves most."""
    what = query.get("what", "pins")
    if what not in WHATS or not _of(rig, what):
        what = next((w for w in WHATS if _of(rig, w)), "pins")
    bay = query.get("bay")
    if bay not in {b.name for b in rig.specimen.bays}:
        bay = None
    height: float | None
    try:
        height = float(query.get("height", ""))
    except ValueError:
        height = None
    known = heights(rig, bay)
    if height not in known:
        height = known[0] if known else None
    hours = query.get("hours", "")
    if hours not in RANGES:
        lasts = end_ms - (first_ms if first_ms is not None else end_ms)
        hours = "all" if lasts < 720 * HOUR_MS else "720"
    return Asked(what, bay, height if what == "pins" else None, hours, shows_asides(query))


def shows_asides(query: Mapping[str, str]) -> bool:
    """Whether readings that a contact with the water set aside are drawn."""
    return query.get("aside") != WITHOUT


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


def heights(rig: Rig, bay: str | None) -> tuple[float, ...]:
    """Heights that pins sit at, the lowest first: there the water comes first."""
    return tuple(
        sorted(
            {
                p.height
                for p in rig.probes
                if p.kind is Kind.PINS and p.height is not None and bay in (None, p.bay)
            }
        )
    )


def choices(
    asked: Asked, rig: Rig, *, has_asides: bool = False
) -> tuple[tuple[str, tuple[Choice, ...]], ...]:
    """The rows of links above the drawings; a row with one choice is left out."""
    rows = [
        (
            "What",
            [_choice(asked, words, what=what) for what, words in WHATS.items() if _of(rig, what)],
        )
    ]
    if asked.what == "pins":
        rows.append(
            ("Height", [_choice(asked, f"{h:g} mm", height=h) for h in heights(rig, asked.bay)])
        )
    if asked.what == "pins" and len(rig.specimen.bays) > 1:
        every = "both bays" if len(rig.specimen.bays) == 2 else "all bays"
        rows.append(
            (
                "Bay",
                [
                    _choice(asked, every, bay=None),
                    *(_choice(asked, b.name, bay=b.name) for b in rig.specimen.bays),
                ],
            )
        )
    rows.append(("Time", [_choice(asked, words, hours=hours) for hours, words in RANGES.items()]))
    if has_asides:
        rows.append(
            (
                "Set aside after a contact",
                [
                    _choice(asked, "drawn thin", aside=WITH),
                    _choice(asked, "left out", aside=WITHOUT),
                ],
            )
        )
    return tuple((name, tuple(row)) for name, row in rows if len(row) > 1)


def panels(asked: Asked, rig: Rig) -> tuple[PanelPlan, ...]:
    """The small multiples of a request."""
    if asked.what == "pins":
        return _pin_panels(asked, rig)
    notes = {
        Kind.TEMPERATURE: "°C",
        Kind.HUMIDITY: "% RH",
        Kind.LEVEL: "mm above the reservoir's floor",
        Kind.FLOAT: "up or down",
        Kind.BUTTON: "pressed or not",
        Kind.FLOW: "L/min",
        Kind.PUMP_CURRENT: "A",
        Kind.POLARISATION: "mV, what the two polarities of a pair differ by",
        Kind.SCALE: "kg",
        Kind.CONDUCTIVITY: "µS/cm at 25 °C",
        Kind.PH: "pH",
        Kind.REFERENCE: "% off its nominal value",
    }
    found = []
    for kind in KINDS_OF[asked.what]:
        probes = tuple(p for p in rig.probes if p.kind is kind)
        title = capital("references" if kind is Kind.REFERENCE else kind.value)
        found += [
            PanelPlan(title, f"{words}, {notes[kind]}" if words else notes[kind], kind, part)
            for words, part in _parts(probes)
        ]
    return tuple(found)


def lead(asked: Asked, plans: Sequence[PanelPlan]) -> str:
    """What is shown, as a sentence."""
    last = {"1": "hour", "24": "day"}.get(asked.hours, RANGES[asked.hours])
    when = "since the first reading" if asked.hours == "all" else f"last {last}"
    if asked.what != "pins":
        return f"{capital(WHATS[asked.what])}, {when}."
    where = f" {asked.height:g} mm above the underside" if asked.height is not None else ""
    bay = f" in {asked.bay}" if asked.bay else ""
    return f"Pins{where}{bay}, {when}, by depth." if plans else "There are no pins in this rig."


def _pin_panels(asked: Asked, rig: Rig) -> tuple[PanelPlan, ...]:
    pins = [
        p
        for p in rig.probes
        if p.kind is Kind.PINS
        and asked.bay in (None, p.bay)
        and (p.height == asked.height or p.height is None)
    ]
    depths = sorted({p.depth for p in pins if p.depth is not None})
    found = []
    for depth in depths:
        there = tuple(p for p in pins if p.depth == depth)
        where = _layer_words(rig, asked.bay, depth)
        found += _pin_parts(f"{depth:g} mm deep", where, there)
    loose = tuple(p for p in pins if p.depth is None)
    return (*found, *_pin_parts("no depth", "declared by place", loose))


def _pin_parts(title: str, where: str, probes: Sequence[Probe]) -> list[PanelPlan]:
    return [
        PanelPlan(title, ", ".join(filter(None, (words, where, _units(part)))), Kind.PINS, part)
        for words, part in _parts(probes)
    ]


def _parts(probes: Sequence[Probe]) -> list[tuple[str, tuple[Probe, ...]]]:
    """Probes of one kind in panels of `MOST_LINES` at most, with what sets each panel apart.

    By bay, in the rig file's order, and then by depth where that helps, else in turn.
    """
    if len(probes) <= MOST_LINES:
        return [("", tuple(probes))] if probes else []
    bays = list(dict.fromkeys(probe.bay for probe in probes))
    deepest = float("inf")
    in_order = sorted(
        probes, key=lambda p: (bays.index(p.bay), deepest if p.depth is None else p.depth)
    )
    return _split(in_order, "", (_bay_words, _depth_words))


def _split(
    probes: list[Probe], words: str, ways: tuple[Callable[[Probe], str], ...]
) -> list[tuple[str, tuple[Probe, ...]]]:
    if len(probes) <= MOST_LINES:
        return [(words, tuple(probes))]
    if not ways:
        count = -(-len(probes) // MOST_LINES)
        size = -(-len(probes) // count)
        return [
            (
                f"{words}, {i + 1} of {count}" if words else f"{i + 1} of {count}",
                tuple(probes[i * size : (i + 1) * size]),
            )
            for i in range(count)
        ]
    way, *rest = ways
    groups: dict[str, list[Probe]] = {}
    for probe in probes:
        groups.setdefault(way(probe), []).append(probe)
    # One group is no split, and a panel for nearly each probe would be worse than any.
    if not 1 < len(groups) <= len(probes) / 2:
        return _split(probes, words, tuple(rest))
    return [
        part
        for name, group in groups.items()
        for part in _split(group, f"{words}, {name}" if words else name, tuple(rest))
    ]


def _bay_words(probe: Probe) -> str:
    return probe.bay or "in no bay"


def _depth_words(probe: Probe) -> str:
    return "at no depth" if probe.depth is None else f"{probe.depth:g} mm deep"


def _units(probes: Sequence[Probe]) -> str:
    """What the values of a panel are of: "% WME", "% MC and % WME"."""
    return " and ".join(dict.fromkeys(probe.unit_words for probe in probes))


def _layer_words(rig: Rig, bay: str | None, depth: float) -> str:
    said: list[str] = []
    for each in rig.specimen.bays:
        if bay not in (None, each.name):
            continue
        face = 0.0
        for layer in each.layers:
            if face <= depth < face + layer.thickness:
                words = f"{layer.material}, {depth - face:g} mm in"
                if words not in said:
                    said.append(words)
            face += layer.thickness
    same_depth = {words.rpartition(", ")[2] for words in said}
    if len(said) > 1 and len(same_depth) == 1:
        materials = " or ".join(words.rpartition(", ")[0] for words in said)
        return f"{materials}, {same_depth.pop()}"
    return "; ".join(said)


def _of(rig: Rig, what: str) -> bool:
    return any(p.kind in KINDS_OF[what] for p in rig.probes)


def _choice(asked: Asked, words: str, **change: str | float | None) -> Choice:
    now: dict[str, str | float | None] = {
        "what": asked.what,
        "bay": asked.bay,
        "height": asked.height,
        "hours": asked.hours,
        "aside": WITH if asked.aside else WITHOUT,
    }
    then = {**now, **change}
    query = {
        key: f"{value:g}" if isinstance(value, float) else value
        for key, value in then.items()
        if value is not None and (key, value) != ("aside", WITH)
    }
    return Choice(words, f"/traces?{urlencode(query)}", chosen=then == now)
