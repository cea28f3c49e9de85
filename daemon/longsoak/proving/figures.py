"""The number that a step of a proof rests on, short enough for a table: from its entry alone."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from longsoak.core.proof.finding import ohms
from longsoak.core.proof.reads import COVERAGE
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry, Step
from longsoak.vocabulary.rig import SWITCHES, UNIT_WORDS, Kind, Probe

_OHMIC = (Kind.PINS, Kind.REFERENCE)


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a pour: litres by the can, level in mm, and the table's volume off them, L."""

    litres: str
    level: str
    residual: str
    allowed: str


@dataclass(frozen=True, slots=True)
class Pour:
    """A level against known litres, as words."""

    level: str
    points: tuple[Point, ...]
    says: str


def main_figure(entry: ProofEntry, probe: Probe) -> str:
    """The main number of a step at a channel, with its unit; empty where it has none."""
    figure = _FIGURES.get(entry.step)
    return "" if figure is None or entry.outcome is Outcome.LEFT_OUT else figure(entry, probe)


def number(value: Json) -> float | None:
    """A number of an entry's content, or None where there is none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)


def numbers_by_name(value: Json) -> dict[str, float]:
    """The numbers of an object of an entry's content."""
    if not isinstance(value, Mapping):
        return {}
    found = {name: number(content) for name, content in value.items()}
    return {name: content for name, content in found.items() if content is not None}


def pour_of(entry: ProofEntry) -> Pour | None:
    """The points of a pour and what would mend it; None where it was not taken."""
    points = entry.content.get("points")
    if not isinstance(points, Sequence) or isinstance(points, str):
        return None
    rows = [numbers_by_name(point) for point in points]
    zero, slope = number(entry.content.get("zero")), number(entry.content.get("slope"))
    rms = number(entry.content.get("rms"))
    says = "" if rms is None else f"{rms:.2g} L in the mean square."
    if zero is not None and slope is not None:
        says += (
            f" A zero of {zero:+.1f} mm and a slope of {slope:.3f} would bring the level onto the "
            "litres; neither is applied."
        )
    told = tuple(
        Point(
            litres=_shown(row.get("litres"), "g"),
            level=_shown(row.get("level"), ".1f"),
            residual=_shown(row.get("residual"), "+.2f"),
            allowed=_shown(row.get("allowed"), ".2g"),
        )
        for row in rows
    )
    return Pour(entry.subject, told, says.strip())


def _shown(value: float | None, how: str) -> str:
    return "none" if value is None else format(value, how)


def _reads(entry: ProofEntry, probe: Probe) -> str:
    noise, ratio = number(entry.content.get("noise")), number(entry.content.get("ratio"))
    if noise is None:
        answered, asked = entry.content.get("answered"), entry.content.get("asked")
        if entry.content.get("open"):
            return "open"
        return f"{answered} of {asked}" if answered != asked and answered is not None else ""
    if probe.kind in SWITCHES:  # it is in one state or the other
        return ""
    if probe.kind not in _OHMIC:
        return f"{noise:.2g} {UNIT_WORDS[probe.kind]}"
    share = f"{100 * noise:.2g} %"
    return share if ratio is None else f"{share}, off {100 * (ratio - 1):+.2f} %"


def _open(entry: ProofEntry, _probe: Probe) -> str:
    least, most = number(entry.content.get("least")), number(entry.content.get("most"))
    if least is not None:
        return ohms(least)
    return "" if most is None else f"> {ohms(most)}"  # more than the meter can tell


def _short(entry: ProofEntry, _probe: Probe) -> str:
    ohm = number(entry.content.get("ohm"))
    if ohm is not None:
        return ohms(ohm)
    return "open" if "ohm" in entry.content else ""


def _resistor(entry: ProofEntry, _probe: Probe) -> str:
    ratio = number(entry.content.get("ratio"))
    if ratio is not None:
        return f"{100 * (ratio - 1):+.2f} %"
    return "open" if "ratio" in entry.content else ""


def _touch(entry: ProofEntry, _probe: Probe) -> str:
    if entry.outcome is not Outcome.BAD:
        return ""
    if "shares" in entry.content:  # it moved, though another may have moved more
        return "not alone"
    return f"{entry.content.get('moved') or 'none'} moved"


def _pour(entry: ProofEntry, _probe: Probe) -> str:
    points = entry.content.get("points")
    if not isinstance(points, Sequence) or isinstance(points, str):
        return ""
    rows = [numbers_by_name(point) for point in points]
    inside = [row for row in rows if "residual" in row and row.get("allowed")]
    if len(inside) < len(rows) or not inside:
        return ""
    worst = max(inside, key=lambda row: abs(row["residual"]) / row["allowed"])
    return f"{worst['residual']:+.2f} L"


def _float(entry: ProofEntry, _probe: Probe) -> str:
    seen = entry.content.get("seen")
    if entry.outcome is Outcome.GOOD or not isinstance(seen, Sequence) or isinstance(seen, str):
        return ""
    return ", ".join("up" if state else "down" for state in seen)


def _card(entry: ProofEntry, _probe: Probe) -> str:
    depth = number(entry.content.get("depth"))
    doubt = number(entry.content.get("depth_uncertainty"))
    if depth is None or doubt is None:
        return "no depth"
    return f"{depth:.1f} ± {COVERAGE * doubt:.1f}"


_FIGURES: Mapping[Step, Callable[[ProofEntry, Probe], str]] = {
    Step.READS: _reads,
    Step.OPEN: _open,
    Step.SHORT: _short,
    Step.RESISTOR: _resistor,
    Step.TOUCH: _touch,
    Step.POUR: _pour,
    Step.FLOAT: _float,
    Step.CARD: _card,
}
