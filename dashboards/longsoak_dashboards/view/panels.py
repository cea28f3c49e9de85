"""From fetched readings to panels: one scale per unit, declared values, words at the side."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from markupsafe import Markup

from longsoak.core.recency import stale_after_ms
from longsoak.store.buckets import Bucket
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.happening import RunGap
from longsoak.vocabulary.rig import PUMP, SWITCHES, Kind, Probe, Rig
from longsoak_dashboards.drawing.around import height_for
from longsoak_dashboards.drawing.panel import Contact, Gap, Line, Panel
from longsoak_dashboards.drawing.traces import draw_panel, draw_swatch
from longsoak_dashboards.source import Reduced
from longsoak_dashboards.view.marks import Mark
from longsoak_dashboards.view.plans import PanelPlan
from longsoak_dashboards.view.scales import Scale, value_scale
from longsoak_dashboards.view.sentences import span_words
from longsoak_dashboards.view.span import Span
from longsoak_dashboards.view.spoken import spoken

BUCKETS = 300
LEAST = {
    Kind.PINS: 10.0,
    Kind.TEMPERATURE: 4.0,
    Kind.HUMIDITY: 20.0,
    Kind.LEVEL: 20.0,
    Kind.FLOW: 0.5,
    Kind.PUMP_CURRENT: 0.2,
    Kind.POLARISATION: 100.0,
    Kind.SCALE: 2.0,
    Kind.CONDUCTIVITY: 100.0,
    Kind.PH: 1.0,
    Kind.REFERENCE: 2.0,
}
TICK_UNIT = {
    Kind.PINS: "%",
    Kind.TEMPERATURE: "°C",
    Kind.HUMIDITY: "%",
    Kind.LEVEL: "mm",
    Kind.FLOW: "L/min",
    Kind.PUMP_CURRENT: "A",
    Kind.POLARISATION: "mV",
    Kind.SCALE: "kg",
    Kind.CONDUCTIVITY: "µS/cm",
    Kind.PH: "",
    Kind.REFERENCE: "%",
}
_ALL_ASIDE = ("Everything in this time is set aside", "after a contact with the water.")
_NOTHING = ("Nothing in this time can be drawn.",)  # missing, or a fail
_HEIGHTS = {Kind.FLOAT: 56.0, Kind.BUTTON: 56.0, Kind.LEVEL: 220.0}
_SWITCH_SCALE = Scale(0.0, 1.0, (0.0, 1.0))
_NEAR = 2.0  # times the height of what is measured: a limit further off would flatten it
# What an alarm that watches a value itself says of its limit.
_LIMITS = {
    Watch.OVERFILL: "overfill",
    Watch.NEAR: "near contact",
    Watch.CONTACT: "contact",
    Watch.LOW: "low",
    Watch.DRY: "dry",
    Watch.HOT: "too hot",
    Watch.COLD: "too cold",
    Watch.HUMID: "too humid",
    Watch.ABOVE: "alarm above",
    Watch.BELOW: "alarm below",
}


@dataclass(frozen=True, slots=True)
class Limit:
    """A declared value; `always` if the scale reaches to it, however far it is."""

    value: float
    words: str
    always: bool


@dataclass(frozen=True, slots=True)
class Around:
    """What lies around readings: contacts with the water, and by probe what they set aside."""

    contacts: tuple[Contact, ...] = ()
    asides: Mapping[str, Sequence[tuple[int, int]]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class DrawnPanel:
    """A panel with the words beside it: title, note, and a swatch, name and mark per line.

    `pictured` is the panel before it was drawn.
    """

    title: str
    note: str
    svg: Markup
    lines: tuple[tuple[Markup, str, Mark], ...]
    plan: PanelPlan
    pictured: Panel

    @property
    def has_words(self) -> bool:
        """Whether words stand beside it."""
        return len(self.pictured.lines) > 1 or bool(self.pictured.declared)


def draw_panels(
    plans: Sequence[PanelPlan],
    rig: Rig,
    marks: Mapping[str, Mark],
    readings: Reduced,
    *,
    span: Span,
    gaps: Sequence[Gap],
    left_out: Collection[str] = (),
    around: Around = Around(),
) -> tuple[DrawnPanel, ...]:
    """Draw `plans` with the reduced readings of their probes.

    Of probes in `left_out` everything is set aside, and so left out.
    """
    rows = readings.rows
    lines = [tuple(_line(p, rows[p.name], plan) for p in plan.probes) for plan in plans]
    drawn = []
    for i, plan in enumerate(plans):
        alike = [
            line
            for other, theirs in zip(plans, lines, strict=True)
            if other.kind is plan.kind
            for line in theirs
        ]
        declared = [
            each for other in plans if other.kind is plan.kind for each in limits(other, rig)
        ]
        scale = _scale(plan.kind, alike, declared)
        own = tuple(
            (limit.value, limit.words)
            for limit in limits(plan, rig)
            if scale.low <= limit.value <= scale.high
        )
        empty: tuple[str, ...] = ()
        if not any(map(_drawn, lines[i])):
            empty = _ALL_ASIDE if any(p.name in left_out for p in plan.probes) else _NOTHING
        if not own and plan.kind not in SWITCHES and not any(map(_drawn, alike)):
            scale = Scale(scale.low, scale.high, ())  # figures of nothing
        tick_words = _tick_words(plan.kind, scale)
        panel = Panel(
            label=spoken(plan, lines[i], span=span),
            lines=lines[i],
            scale=scale,
            tick_words=tick_words,
            unit=TICK_UNIT.get(plan.kind, ""),
            declared=own,
            height=height_of(plan, rig),
            names_gaps=i == 0,
            empty=empty,
            contacts=around.contacts,
            asides=_merged([t for p in plan.probes for t in around.asides.get(p.name, ())]),
        )
        svg = draw_panel(panel, span, gaps, width_ms=readings.width_ms)
        words = tuple(
            (
                draw_swatch(n),
                f"{line.name}, all set aside" if probe.name in left_out else line.name,
                marks[probe.name],
            )
            for n, (line, probe) in enumerate(zip(panel.lines, plan.probes, strict=True))
        )
        drawn.append(DrawnPanel(plan.title, plan.note, svg, words, plan, panel))
    return tuple(drawn)


def _merged(times: Sequence[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Times in their order, those that touch as one."""
    found: list[tuple[int, int]] = []
    for from_ms, to_ms in sorted(times):
        if found and from_ms <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], to_ms))
        else:
            found.append((from_ms, to_ms))
    return tuple(found)


def height_of(plan: PanelPlan, rig: Rig) -> float:
    """How high a panel is, px: as the words beside it need."""
    words = [limit.words for limit in limits(plan, rig)]
    words += [line_name(probe, plan) for probe in plan.probes]
    return height_for(words, least=_HEIGHTS.get(plan.kind, 140.0))


def has_values(buckets: Sequence[Bucket]) -> bool:
    """Whether there is anything to draw."""
    return any(bucket.low is not None for bucket in buckets)


def _drawn(line: Line) -> bool:
    return has_values(line.buckets)


def gaps_of(
    stored: Sequence[RunGap], rig: Rig, *, last_ms: int | None, span: Span
) -> tuple[Gap, ...]:
    """Gaps within the time shown, the one that still lasts included."""
    found = [
        Gap(
            gap.from_utc_ms,
            gap.to_utc_ms,
            ("stopped" if gap.clean else "cut off")
            + ("" if gap.length_ms is None else f", {span_words(gap.length_ms / 1000)}"),
        )
        for gap in stored
        if gap.to_utc_ms > span.since_ms and gap.from_utc_ms < span.until_ms
    ]
    if last_ms is not None and span.until_ms - last_ms > stale_after_ms(rig):
        found.append(Gap(last_ms, span.until_ms, "not recording"))
    return tuple(found)


def line_name(probe: Probe, plan: PanelPlan) -> str:
    """What a line is called beside it: as short as it stays clear in its panel."""
    alone_in_bay = probe.bay and sum(p.bay == probe.bay for p in plan.probes) == 1
    name = (probe.kind is Kind.PINS and alone_in_bay and probe.bay) or probe.name
    if len({p.quantity for p in plan.probes}) > 1:
        # Said at the line, for its latest reading may have no value to say it at.
        name = f"{name}, {probe.unit_words}"
    return name


def patience_ms(probe: Probe) -> float:
    """How long a probe may be silent until its line ends."""
    return 3000 * probe.record


def _line(probe: Probe, buckets: Sequence[Bucket], plan: PanelPlan) -> Line:
    if probe.kind is Kind.REFERENCE and probe.nominal:
        buckets = [_off_nominal(bucket, probe.nominal) for bucket in buckets]
    return Line(
        name=line_name(probe, plan),
        buckets=tuple(buckets),
        patience_ms=patience_ms(probe),
        stepped=probe.kind in SWITCHES,
    )


def _off_nominal(bucket: Bucket, nominal: float) -> Bucket:
    def off(value: float | None) -> float | None:
        return None if value is None else 100 * (value / nominal - 1)

    u = bucket.uncertainty
    return bucket._replace(
        low=off(bucket.low),
        high=off(bucket.high),
        mean=off(bucket.mean),
        uncertainty=None if u is None else 100 * u / nominal,
    )


def _scale(kind: Kind, lines: Sequence[Line], declared: Sequence[Limit]) -> Scale:
    if kind in SWITCHES:
        return _SWITCH_SCALE
    values = []
    for line in lines:
        for bucket in line.buckets:
            if bucket.low is not None and bucket.high is not None:
                bounded = bucket.wetter or bucket.drier  # it has no band
                spare = 0.0 if bounded else 2 * (bucket.uncertainty or 0.0)
                values += [bucket.low - spare, bucket.high + spare]
    values += [limit.value for limit in declared if limit.always]
    if values:
        far = _NEAR * max(max(values) - min(values), LEAST[kind])
        low, high = min(values) - far, max(values) + far
        values += [limit.value for limit in declared if low <= limit.value <= high]
    return value_scale(values, least=LEAST[kind])


def _tick_words(kind: Kind, scale: Scale) -> tuple[str, ...]:
    return switch_words(kind) if kind in SWITCHES else tuple(f"{t:.6g}" for t in scale.ticks)


def switch_words(kind: Kind) -> tuple[str, str]:
    """What the two states of a switch are called beside its panel."""
    return ("down", "up") if kind is Kind.FLOAT else ("", "pressed")


def limits(plan: PanelPlan, rig: Rig) -> tuple[Limit, ...]:
    """What is declared of the values of a panel: levels of the reservoir, limits of alarms.

    One line for all that lies at one value, the highest first.
    """
    found: dict[float, list[str]] = {}
    always: set[float] = set()
    for value, words in _levels(plan.kind, rig):
        found.setdefault(value, []).append(words)
        always.add(value)
    names = {probe.name for probe in plan.probes}
    for alarm in rig.alarms:
        words = _LIMITS.get(alarm.watch, "")
        if alarm.setpoint is not None and words and alarm.subject in names:
            known = found.setdefault(alarm.setpoint, [])
            known += [words] if words not in known else []
    return tuple(
        Limit(value, f"{', '.join(found[value])} {value:g}", value in always)
        for value in sorted(found, reverse=True)
    )


def _levels(kind: Kind, rig: Rig) -> list[tuple[float, str]]:
    if kind in PUMP:
        least = {p.runs_from for p in rig.probes if p.kind is kind and p.runs_from is not None}
        return [(value, "runs from") for value in sorted(least)]
    if kind is not Kind.LEVEL or rig.reservoir is None:
        return []
    rows = [(rig.specimen.underside, "underside"), (rig.reservoir.stop, "stop")]
    if rig.reservoir.pump_needs > 0:
        rows.append((rig.reservoir.pump_needs, "pump needs"))
    return rows
