"""What a browser has to know to draw the panels itself: everything but the readings."""

from collections.abc import Sequence
from urllib.parse import urlsplit

from longsoak.core.wording import DECIMALS
from longsoak.vocabulary.rig import SWITCHES, Kind, Rig
from longsoak_dashboards.view.panels import (
    LEAST,
    TICK_UNIT,
    height_of,
    limits,
    line_name,
    patience_ms,
    switch_words,
)
from longsoak_dashboards.view.plans import PanelPlan
from longsoak_dashboards.view.span import Span
from longsoak_dashboards.view.spoken import unit_words
from longsoak_dashboards.view.traces import Asked, address_of


def chart_plan(
    asked: Asked,
    plans: Sequence[PanelPlan],
    rig: Rig,
    *,
    span: Span,
    first_ms: int | None,
    end_ms: int,
) -> dict[str, object]:
    """The panels and the time of a sheet. Times are UTC, ms since 1970; `end_ms` is now.

    `query` is the address without its times. A sheet that `ends_now` goes on with the time.
    """
    bare = urlsplit(address_of(asked)).query
    return {
        "query": [pair for pair in bare.split("&") if pair.split("=")[0] not in _TIMES],
        "hours": None if asked.has_times else asked.hours,
        "since": span.since_ms,
        "until": span.until_ms,
        "first": span.since_ms if first_ms is None else first_ms,
        "end": end_ms,
        "endsNow": asked.until_ms is None,
        "aside": asked.aside,
        "panels": [_panel(plan, rig) for plan in plans],
    }


_TIMES = ("from", "to", "hours")


def _panel(plan: PanelPlan, rig: Rig) -> dict[str, object]:
    return {
        "title": plan.title,
        "note": plan.note,
        "kind": plan.kind.value,
        "unit": TICK_UNIT.get(plan.kind, ""),
        "states": switch_words(plan.kind) if plan.kind in SWITCHES else None,
        "least": LEAST.get(plan.kind, 1.0),
        "height": height_of(plan, rig),
        "decimals": 2 if plan.kind is Kind.REFERENCE else DECIMALS.get(plan.kind, 1),
        "limits": [
            {"value": limit.value, "words": limit.words, "always": limit.always}
            for limit in limits(plan, rig)
        ],
        "lines": [
            {
                "probe": probe.name,
                "name": line_name(probe, plan),
                "unit": unit_words(plan, i),
                "nominal": probe.nominal if probe.kind is Kind.REFERENCE else None,
                "stepped": probe.kind in SWITCHES,
                "patience": patience_ms(probe),
            }
            for i, probe in enumerate(plan.probes)
        ],
    }
