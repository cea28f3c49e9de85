"""The drawings of a report, by matplotlib: the rig to scale, readings over time and by depth.

Needs the extra ``report``. Nothing in them depends on when or where they are drawn.
"""

import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import nan
from typing import Any

import matplotlib as mpl
from matplotlib import dates
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator

from longsoak.core.findings.decision import Bound
from longsoak.core.phases import Phase
from longsoak.report.analysed import Profile
from longsoak.report.extents import Extent
from longsoak.report.handagreement import HandPair
from longsoak.vocabulary.rig import Bay, Material, Rig

INK, PENCIL, RED, WATER, RULE = "#1d283b", "#185a95", "#aa2523", "#c8e5f3", "#d0d4cc"
WIDE = 6.7  # in: what A4 leaves between its margins
_DAY_MS = 86_400_000
_BESIDE = 0.012  # of a bay's thickness between phases drawn side by side
_DARK = 0.45  # of a scale of shades, from where letters on it are white
_A_ROW = 4  # names in a row of a legend
_DOTS = 150  # per inch, of a drawing as a picture
_SHADES = ("#1d283b", "#1f6a96", "#6a8f3c", "#8a5a2b", "#7a5c92", "#4b5666")
_DASHES: Sequence[Any] = ("-", (0, (5, 1.5)), (0, (1.5, 1.2)), (0, (6, 1.5, 1.5, 1.5)))
_HATCH = {
    Material.TIMBER: "--",
    Material.CORK: "oo",
    Material.LIME: "..",
    Material.MASONRY: "//",
    Material.CONCRETE: "xx",
    Material.BOARD: "||",
    Material.INSULATION: "\\\\",
    Material.OTHER: "",
}
_SETTINGS: Any = {
    "svg.hashsalt": "longsoak",
    "svg.fonttype": "path",
    "font.family": "DejaVu Sans",
    "font.size": 7.5,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "hatch.color": RULE,
    "hatch.linewidth": 0.5,
    "lines.linewidth": 1.0,
}


@dataclass(frozen=True, slots=True)
class Trace:
    """One probe's days: its name, where it is (mm), and how far it went."""

    name: str
    depth: float
    height: float
    days: Sequence[Extent]

    @property
    def where(self) -> str:
        """As a legend has it."""
        return f"{self.depth:g} mm deep, {self.height:g} high"


@dataclass(frozen=True, slots=True)
class Around:
    """What lies around traces: phases, contacts with the water and gaps (UTC ms), and limits."""

    phases: Sequence[Phase]
    contacts: Sequence[tuple[int, int]]
    gaps: Sequence[tuple[int, int]]
    limits: Mapping[str, float]


def svg_of(figure: Figure) -> str:
    """A drawing as an SVG element, the same bytes each time."""
    out = io.StringIO()
    with mpl.rc_context(_SETTINGS):
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return re.sub(r"^.*?(?=<svg)", "", out.getvalue(), flags=re.DOTALL)


def png_of(figure: Figure) -> bytes:
    """A drawing as a picture, the same bytes each time."""
    out = io.BytesIO()
    with mpl.rc_context(_SETTINGS):
        figure.savefig(out, format="png", dpi=_DOTS, metadata={"Software": None})
    return out.getvalue()


def set_up(rig: Rig) -> Figure:
    """Each bay in section, to scale: its layers, probes, and the reservoir's levels under it."""
    bays = rig.specimen.bays
    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=(WIDE, 3.4))
        figure.subplots_adjust(left=0.08, right=0.99, bottom=0.13, top=0.93, wspace=0.12)
        axes = figure.subplots(1, len(bays), sharey=True, squeeze=False)[0]
        for place, (ax, bay) in enumerate(zip(axes, bays, strict=True)):
            _bay(ax, rig, bay)
            ax.set_title(bay.name, fontsize=7.5, fontweight="bold")
            if not place:
                ax.set_ylabel("height above the underside, mm")
        figure.supxlabel("depth from the wet face, mm", fontsize=7.5)
    return figure


def _bay(ax: Any, rig: Rig, bay: Bay) -> None:
    specimen, at = rig.specimen, 0.0
    height = bay.thickness if specimen.lies else specimen.height
    for layer in bay.layers:
        ax.add_patch(
            Rectangle(
                (at, 0),
                layer.thickness,
                height,
                facecolor="white",
                edgecolor=INK,
                hatch=_HATCH[layer.material],
                linewidth=0.8,
            )
        )
        ax.text(
            at + layer.thickness / 2, height * 1.02, layer.name,
            ha="left", va="bottom", fontsize=6, rotation=35,
        )  # fmt: skip
        at += layer.thickness
    seats = [p for p in rig.probes if p.bay == bay.name and p.depth is not None]
    xs = [p.depth or 0.0 for p in seats]
    ys = [p.height or 0.0 for p in seats]
    ax.plot(xs, ys, "o", color=INK, markersize=3.2, markeredgecolor="white", markeredgewidth=0.5)
    low = -0.05 * height
    if rig.reservoir is not None:
        low = -specimen.underside * 1.05
        wide = bay.thickness
        stop = rig.reservoir.stop - specimen.underside
        floor = -specimen.underside
        ax.add_patch(Rectangle((0, floor), wide, stop - floor, facecolor=WATER, linewidth=0))
        ax.plot([0, wide], [stop, stop], color=PENCIL, linewidth=0.8)
        ax.text(wide, stop, "top-up ends", color=PENCIL, ha="right", va="bottom", fontsize=6)
    ax.set_xlim(-0.04 * bay.thickness, 1.04 * bay.thickness)
    ax.set_ylim(low, height * 1.3)
    ax.set_aspect("equal", adjustable="datalim" if bay.thickness > height else "box")
    ax.spines[["top", "right"]].set_visible(False)


def traces(panel: Sequence[Trace], around: Around, *, unit: str) -> Figure:
    """Daily means of some probes with the band of their days: a colour a depth, a dash a height."""
    with mpl.rc_context(_SETTINGS):
        under = 0.4 + 0.14 * -(-len(panel) // _A_ROW)  # in, of the legend
        high = 1.9 + under
        figure = Figure(figsize=(WIDE, high))
        figure.subplots_adjust(left=0.07, right=0.99, bottom=under / high, top=1 - 0.06 / high)
        ax = figure.subplots()
        depths = sorted({trace.depth for trace in panel})
        heights = sorted({trace.height for trace in panel})
        for trace in panel:
            times, means, lows, highs = _days(trace.days)
            colour = _SHADES[depths.index(trace.depth) % len(_SHADES)]
            ax.fill_between(times, lows, highs, color=colour, alpha=0.12, linewidth=0)
            dash = _DASHES[heights.index(trace.height) % len(_DASHES)]
            ax.plot(times, means, color=colour, linestyle=dash, label=trace.where)
        _around(ax, around)
        ax.set_ylabel(unit)
        locator = dates.AutoDateLocator(minticks=3, maxticks=9)  # type: ignore[no-untyped-call]
        ax.xaxis.set_major_locator(locator)
        ax.xaxis.set_major_formatter(
            dates.ConciseDateFormatter(locator)  # type: ignore[no-untyped-call]
        )
        ax.spines[["top", "right"]].set_visible(False)
        ax.legend(
            fontsize=6, ncols=_A_ROW, frameon=False, loc="upper left", bbox_to_anchor=(0, -0.12)
        )
    return figure


def _days(
    days: Sequence[Extent],
) -> tuple[list[Any], list[float], list[float], list[float]]:
    """Times and values of days; a day left out breaks the line, and so does one that only fails."""
    times: list[Any] = []
    columns: tuple[list[float], list[float], list[float]] = ([], [], [])
    last: int | None = None
    for day in days:
        if last is not None and day.utc_ms - last > 1.5 * _DAY_MS:
            times.append(_time(last + _DAY_MS))
            for column in columns:
                column.append(nan)
        last = day.utc_ms
        times.append(_time(day.utc_ms))
        level = day.mean if day.mean is not None else day.high if day.wetter else day.low
        for column, value in zip(columns, (level, day.low, day.high), strict=True):
            column.append(nan if value is None else value)
    return times, *columns


def _around(ax: Any, around: Around) -> None:
    for begin, end in around.contacts:
        ax.axvspan(
            _time(begin), _time(end), facecolor="none", edgecolor=RED, hatch="////", alpha=0.5,
            linewidth=0,
        )  # fmt: skip
    for begin, end in around.gaps:
        ax.axvspan(_time(begin), _time(end), facecolor=RULE, alpha=0.5, linewidth=0)
    for phase in around.phases:
        ax.axvline(_time(phase.from_ms), color=INK, linewidth=0.5, linestyle=":")
        ax.annotate(
            phase.title, (_time(phase.from_ms), 1), xycoords=("data", "axes fraction"),
            xytext=(2, -2), textcoords="offset points", fontsize=6, va="top",
        )  # fmt: skip
    for name, level in around.limits.items():
        ax.axhline(level, color=PENCIL, linewidth=0.9, linestyle="--")
        ax.annotate(
            name, (1, level), xycoords=("axes fraction", "data"), ha="right", va="bottom",
            fontsize=6, color=PENCIL, xytext=(0, 1), textcoords="offset points",
        )  # fmt: skip


def profiles(found: Iterable[Profile], bays: Sequence[Bay], *, unit: str) -> Figure:
    """Means by depth with twice their standard uncertainty, phase beside phase, bay by bay."""
    known = list(found)
    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=(WIDE, 2.8))
        figure.subplots_adjust(left=0.07, right=0.99, bottom=0.22, top=0.92, wspace=0.08)
        axes = figure.subplots(1, len(bays), sharey=True, squeeze=False)[0]
        for place, (ax, bay) in enumerate(zip(axes, bays, strict=True)):
            for number, profile in enumerate(p for p in known if p.bay == bay.name):
                rows = [
                    (p.spot.depth or 0.0, p.value, 2 * (p.uncertainty or 0.0))
                    for p in profile.places
                    if p.value is not None and p.bound is Bound.NONE and p.unit == unit
                ]
                if not rows:
                    continue
                depth, value, spread = (list(column) for column in zip(*rows, strict=True))
                ax.errorbar(
                    [d + _BESIDE * bay.thickness * number for d in depth], value, yerr=spread,
                    fmt="o", markersize=2.5, color=_SHADES[number % len(_SHADES)], elinewidth=0.6,
                    capsize=1.5, label=profile.title,
                )  # fmt: skip
            ax.set_title(bay.name, fontsize=7.5, fontweight="bold")
            ax.set_xlim(0, bay.thickness)
            ax.xaxis.set_major_locator(MaxNLocator(4, prune="upper"))
            ax.set_xlabel("depth, mm")
            if not place:
                ax.set_ylabel(unit)
            ax.spines[["top", "right"]].set_visible(False)
        drawn: dict[str, Any] = {}
        for ax in axes:
            for handle, title in zip(*ax.get_legend_handles_labels(), strict=True):
                drawn.setdefault(title, handle)
        figure.legend(
            handles=list(drawn.values()), labels=list(drawn), fontsize=6, frameon=False,
            loc="lower center", ncols=max(1, len(drawn)),
        )  # fmt: skip
    return figure


def hand_round(pairs: Sequence[HandPair], rig: Rig) -> Figure:
    """What was read by hand in a round above, and what the pins read in the same hour below."""
    probes = {probe.name: probe for probe in rig.probes}
    bays = [bay for bay in rig.specimen.bays if any(p.reading.bay == bay.name for p in pairs)]
    values = [value for pair in pairs for value in (pair.hand, pair.embedded)]
    shades = mpl.colormaps["YlGnBu"]
    low, high = min(values), max(values)
    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=(WIDE, 4.2))
        figure.subplots_adjust(
            left=0.08, right=0.99, bottom=0.1, top=0.93, wspace=0.08, hspace=0.12
        )
        axes = figure.subplots(2, len(bays), sharex="col", sharey=True, squeeze=False)
        for column, bay in enumerate(bays):
            own = [pair for pair in pairs if pair.reading.bay == bay.name]
            by_hand = [(p.reading.place.depth, p.reading.place.height, p.hand) for p in own]
            pins = {
                p.probe: (p.depth, probes[p.probe].height or 0.0, p.embedded)
                for p in own
                if p.probe in probes
            }
            for ax, places in zip(axes[:, column], (by_hand, list(pins.values())), strict=True):
                for depth, height, value in places:
                    share = 0.1 + 0.6 * (value - low) / ((high - low) or 1.0)
                    ax.plot(
                        depth, height, "o", markersize=15, markerfacecolor=shades(share),
                        markeredgecolor=INK, markeredgewidth=0.5,
                    )  # fmt: skip
                    ax.text(
                        depth, height, f"{value:.1f}", ha="center", va="center", fontsize=6,
                        color=INK if share < _DARK else "white",
                    )  # fmt: skip
                ax.set_xlim(0, bay.thickness)
                ax.xaxis.set_major_locator(MaxNLocator(4, prune="upper"))
                ax.margins(y=0.2)
                ax.spines[["top", "right"]].set_visible(False)
            axes[0, column].set_title(bay.name, fontsize=7.5, fontweight="bold")
            axes[1, column].set_xlabel("depth, mm")
        for ax, what in zip(axes[:, 0], ("by hand", "pins"), strict=True):
            ax.set_ylabel(f"{what}; height, mm")
    return figure


def _time(utc_ms: int) -> datetime:
    return datetime.fromtimestamp(utc_ms / 1000, UTC)
