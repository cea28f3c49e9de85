"""From fetched readings to panels: one scale per unit, declared values, words at the side."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak.core.recency import stale_after_ms
from longsoak.store.buckets import Bucket
from longsoak.vocabulary.happening import RunGap
from longsoak.vocabulary.rig import PUMP, SWITCHES, Kind, Probe, Rig
from longsoak_dashboards.drawing.traces import Gap, Line, Panel, draw_panel, draw_swatch
from longsoak_dashboards.view.marks import Mark
from longsoak_dashboards.view.scales import Scale, value_scale
from longsoak_dashboards.view.sentences import span_words
from longsoak_dashboards.view.traces import PanelPlan, Span

BUCKETS = 300
_MOST_BESIDE = 3  # lines whose words are no higher than the drawing
_LEAST = {
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
_TICK_UNIT = {
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
_FLOAT_SCALE = Scale(0.0, 1.0, (0.0, 1.0))


@dataclass(frozen=True, slots=True)
class DrawnPanel:
    """A panel with the words beside it: title, note, and a swatch, name and mark per line.

    Words of `many` lines would be higher than the drawing, and stand in columns below it.
    """

    title: str
    note: str
    svg: Markup
    lines: tuple[tuple[Markup, str, Mark], ...]
    many: bool


def draw_panels(
    plans: Sequence[PanelPlan],
    rig: Rig,
    marks: Mapping[str, Mark],
    readings: Mapping[str, Sequence[Bucket]],
    *,
    span: Span,
    gaps: Sequence[Gap],
    left_out: Collection[str] = (),
) -> tuple[DrawnPanel, ...]:
    """Draw `plans` with the reduced readings of their probes, by probe name.

    Of probes in `left_out` everything is set aside, and so left out.
    """
    lines = [tuple(_line(p, readings[p.name], plan) for p in plan.probes) for plan in plans]
    drawn = []
    for i, plan in enumerate(plans):
        declared = _declared(plan.kind, rig)
        alike = [
            line
            for other, theirs in zip(plans, lines, strict=True)
            if other.kind is plan.kind
            for line in theirs
        ]
        scale = _scale(plan.kind, alike, [value for value, _ in declared])
        empty: tuple[str, ...] = ()
        if not any(map(_drawn, lines[i])):
            empty = _ALL_ASIDE if any(p.name in left_out for p in plan.probes) else _NOTHING
        if not declared and plan.kind not in SWITCHES and not any(map(_drawn, alike)):
            scale = Scale(scale.low, scale.high, ())  # figures of nothing
        names = ", ".join(line.name for line in lines[i])
        panel = Panel(
            label=f"{plan.title}, {plan.note}: {names}",
            lines=lines[i],
            scale=scale,
            tick_words=_tick_words(plan.kind, scale),
            unit=_TICK_UNIT.get(plan.kind, ""),
            declared=declared,
            height={Kind.FLOAT: 56.0, Kind.BUTTON: 56.0, Kind.LEVEL: 220.0}.get(plan.kind, 140.0),
            names_gaps=i == 0,
            empty=empty,
        )
        svg = draw_panel(panel, span, gaps, buckets=BUCKETS)
        words = tuple(
            (
                draw_swatch(n),
                f"{line.name}, all set aside" if probe.name in left_out else line.name,
                marks[probe.name],
            )
            for n, (line, probe) in enumerate(zip(panel.lines, plan.probes, strict=True))
        )
        drawn.append(DrawnPanel(plan.title, plan.note, svg, words, many=len(words) > _MOST_BESIDE))
    return tuple(drawn)


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


def _line(probe: Probe, buckets: Sequence[Bucket], plan: PanelPlan) -> Line:
    if probe.kind is Kind.REFERENCE and probe.nominal:
        buckets = [_off_nominal(bucket, probe.nominal) for bucket in buckets]
    alone_in_bay = probe.bay and sum(p.bay == probe.bay for p in plan.probes) == 1
    name = (probe.kind is Kind.PINS and alone_in_bay and probe.bay) or probe.name
    if len({p.quantity for p in plan.probes}) > 1:
        # Said at the line, for its latest reading may have no value to say it at.
        name = f"{name}, {probe.unit_words}"
    return Line(
        name=name,
        buckets=tuple(buckets),
        patience_ms=3000 * probe.record,
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


def _scale(kind: Kind, lines: Sequence[Line], declared: Sequence[float]) -> Scale:
    if kind in SWITCHES:
        return _FLOAT_SCALE
    values = list(declared)
    for line in lines:
        for bucket in line.buckets:
            if bucket.low is not None and bucket.high is not None:
                spare = 2 * (bucket.uncertainty or 0.0)
                values += [bucket.low - spare, bucket.high + spare]
    return value_scale(values, least=_LEAST[kind])


def _tick_words(kind: Kind, scale: Scale) -> tuple[str, ...]:
    if kind is Kind.FLOAT:
        return ("down", "up")
    if kind is Kind.BUTTON:
        return ("", "pressed")
    return tuple(f"{tick:.6g}" for tick in scale.ticks)


def _declared(kind: Kind, rig: Rig) -> tuple[tuple[float, str], ...]:
    if kind in PUMP:
        least = {p.runs_from for p in rig.probes if p.kind is kind and p.runs_from is not None}
        return tuple((value, f"runs from {value:g}") for value in sorted(least))
    if kind is not Kind.LEVEL or rig.reservoir is None:
        return ()
    rows = [
        (rig.specimen.underside, f"underside {rig.specimen.underside:g}"),
        (rig.reservoir.stop, f"stop {rig.reservoir.stop:g}"),
    ]
    if rig.reservoir.pump_needs > 0:
        rows.append((rig.reservoir.pump_needs, f"pump needs {rig.reservoir.pump_needs:g}"))
    return tuple(rows)
