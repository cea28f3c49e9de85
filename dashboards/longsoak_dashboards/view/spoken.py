"""What a drawing shows, as sentences for whoever can't see it."""

from collections.abc import Sequence

from longsoak.core.wording import DECIMALS, value_words
from longsoak.store.buckets import Bucket
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.rig import SWITCHES, Kind
from longsoak_dashboards.drawing.panel import Line
from longsoak_dashboards.view.plans import PanelPlan
from longsoak_dashboards.view.sentences import moment
from longsoak_dashboards.view.span import Span


def figure_words(kind: Kind, value: float) -> str:
    """A value as it is drawn, without its unit."""
    if kind is Kind.REFERENCE:
        return f"{value:+.2f}"  # % off its nominal value
    if kind in SWITCHES:
        return value_words(kind, float(value > 0.5), Reason.NONE)
    return f"{value:.{DECIMALS[kind]}f}"


def unit_words(plan: PanelPlan, line: int) -> str:
    """The unit a line of a panel is drawn in."""
    return "%" if plan.kind is Kind.REFERENCE else plan.probes[line].unit_words


def spoken(plan: PanelPlan, lines: Sequence[Line], *, span: Span) -> str:
    """Each line's latest, lowest and highest value, and when they were."""
    parts = [f"{plan.title}, {plan.note}"]
    for i, line in enumerate(lines):
        found = [b for b in line.buckets if b.low is not None]
        if not found:
            parts.append(f"{line.name}: nothing that can be drawn")
            continue
        unit = unit_words(plan, i)
        latest = found[-1]
        said = [f"{line.name}: latest {_said(plan.kind, latest, latest.mean, unit, span=span)}"]
        if plan.kind not in SWITCHES:
            lowest = min(found, key=lambda b: b.low or 0.0)
            highest = max(found, key=lambda b: b.high or 0.0)
            said.append(f"lowest {_said(plan.kind, lowest, lowest.low, unit, span=span)}")
            said.append(f"highest {_said(plan.kind, highest, highest.high, unit, span=span)}")
        odd = sum(b.worst in (Flag.SUSPECT, Flag.FAIL) for b in line.buckets)
        said += [f"suspect or failed in {odd} of {len(line.buckets)} points"] if odd else []
        parts.append(", ".join(said))
    return ". ".join(parts)


def _said(kind: Kind, bucket: Bucket, value: float | None, unit: str, *, span: Span) -> str:
    bound = "over " if bucket.wetter else "under " if bucket.drier else ""
    shown = value
    if shown is None:
        shown = bucket.high if bucket.wetter else bucket.low
    at = moment(bucket.utc_ms, now_ms=span.until_ms)
    return f"{bound}{figure_words(kind, shown or 0.0)} {unit}".strip() + f" at {at} UTC"
