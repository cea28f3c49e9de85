"""What is drawn, as tables."""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak.store.buckets import Bucket
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.rig import SWITCHES, Kind
from longsoak_dashboards.view.panels import DrawnPanel
from longsoak_dashboards.view.sentences import when
from longsoak_dashboards.view.spoken import figure_words, unit_words


@dataclass(frozen=True, slots=True)
class ValueTable:
    """The values of one panel: a column a line, a row a time."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Markup, tuple[str, ...]], ...]


def value_tables(panels: Sequence[DrawnPanel], *, now_ms: int) -> tuple[ValueTable, ...]:
    """A table for each panel."""
    return tuple(_table(panel, now_ms=now_ms) for panel in panels)


def _table(panel: DrawnPanel, *, now_ms: int) -> ValueTable:
    lines = [{b.utc_ms: b for b in line.buckets} for line in panel.pictured.lines]
    times = sorted({at for line in lines for at in line})
    columns = tuple(
        f"{line.name}, {unit}" if (unit := unit_words(panel.plan, i)) else line.name
        for i, line in enumerate(panel.pictured.lines)
    )
    rows = tuple(
        (when(at, now_ms=now_ms), tuple(_cell(panel.plan.kind, line.get(at)) for line in lines))
        for at in times
    )
    return ValueTable(f"{panel.title}, {panel.note}", columns, rows)


def _cell(kind: Kind, bucket: Bucket | None) -> str:
    if bucket is None:
        return ""
    flag = "" if bucket.worst is Flag.PASS else bucket.worst.word
    if bucket.low is None or bucket.high is None:
        return flag or "none"
    low, high = figure_words(kind, bucket.low), figure_words(kind, bucket.high)
    if bucket.wetter or bucket.drier:
        value = f"over {high}" if bucket.wetter else f"under {low}"
    elif low == high or kind in SWITCHES:
        value = figure_words(kind, bucket.mean or 0.0)
        if bucket.uncertainty and kind not in SWITCHES:
            value += f" \u00b1 {figure_words(kind, 2 * bucket.uncertainty).lstrip('+')}"
    else:
        value = f"{low} to {high}"
    return f"{value}, {flag}" if flag else value
