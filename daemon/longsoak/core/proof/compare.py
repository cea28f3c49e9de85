"""Two proofs of one rig side by side: what has changed since, channel by channel. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

from longsoak.core.proof.book import Proof
from longsoak.core.proof.finding import ohms
from longsoak.core.proof.reads import COVERAGE
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry, Step
from longsoak.vocabulary.rig import UNIT_WORDS, Kind, Rig

# Common practice, all of it.
NOISE_GROWN = 3.0  # times as loud: of ten readings each, chance makes twice but seldom
INSULATION_LEFT = 0.1  # of what it was
EVEN = 1.0  # K between other thermometers: then a specimen has one temperature
OFFSET = 1.0  # K, and it is one sensor that moved, not the specimen


class Figure(StrEnum):
    """What is compared; the values are the words people see."""

    REFERENCE = "reference resistor"
    RESISTOR = "known resistor"
    NOISE = "noise"
    OFFSET = "offset from other thermometers"
    INSULATION = "insulation"
    POUR = "level against litres"
    INSTRUMENT = "instrument"
    DEPTH = "depth"
    OUTCOME = "outcome"


@dataclass(frozen=True, slots=True)
class Change:
    """One figure of one channel in both proofs, and whether it moved more than is allowed.

    `first_ms` and `later_ms` are when each was taken. `first` and `later` are None for words.
    """

    probe: str
    figure: Figure
    first: float | None
    later: float | None
    first_ms: int
    later_ms: int
    beyond: bool
    says: str


def compare(first: Proof, later: Proof, rig: Rig) -> tuple[Change, ...]:
    """What has changed between two proofs, for every figure that both have.

    Parameters
    ----------
    first, later : Proof
        The birth certificate, and a proof repeated at the end or after a repair.
    rig : Rig
        The rig: a reference resistor may move by twice its meter's standard uncertainty.

    Returns
    -------
    tuple of Change
        By channel in the rig file's order. Allowed are: a reference or known resistor off by twice
        the meter's standard uncertainty (as both readings have it, times the root of two), three
        times the noise, a tenth of the insulation, what a pour allows, twice the depths'
        uncertainty, and the same instrument. A thermometer may move 1 K against the median of two
        or more others, which lie within 1 K in either proof: else it says more of the specimen
        than of the sensor, and is not compared. A step that was not bad and is now is told too.
    """
    buses = {bus.name: bus for bus in rig.buses}
    warmth = _warmth(first, later, rig)
    found: list[Change] = []
    for probe in rig.probes:
        allowed = COVERAGE * buses[probe.bus].accuracy * 2**0.5
        for step in Step:
            pair = first.newest(step, probe.name), later.newest(step, probe.name)
            if pair[0] is not None and pair[1] is not None:
                found += _outcome((pair[0], pair[1]))
                found += _changes(probe.kind, (pair[0], pair[1]), allowed)
                if step is Step.READS and probe.name in warmth:
                    found += _offset((pair[0], pair[1]), warmth)
    return tuple(found)


Pair = tuple[ProofEntry, ProofEntry]


def _outcome(pair: Pair) -> list[Change]:
    """A step that was good and is bad now, whatever figures it left to compare."""
    first, later = pair
    if first.outcome is Outcome.BAD or later.outcome is not Outcome.BAD:
        return []
    says = f"{first.step.value} was {first.outcome.value}, is bad: {later.says}"
    return [_change(pair, Figure.OUTCOME, None, None, True, says)]


def _changes(kind: Kind, pair: Pair, allowed: float) -> list[Change]:
    step = pair[0].step
    if step is Step.READS:
        found = [_noise(kind, pair), _instrument(pair)]
        return [*(_ratio(pair, Figure.REFERENCE, allowed)), *(c for c in found if c is not None)]
    if step is Step.RESISTOR:
        return _ratio(pair, Figure.RESISTOR, allowed)
    if step is Step.OPEN:
        return _insulation(pair)
    if step is Step.POUR:
        return _pour(pair)
    if step is Step.CARD:
        return _depth(pair)
    return []


def _ratio(pair: Pair, figure: Figure, allowed: float) -> list[Change]:
    both = _numbers(pair, "ratio")
    if both is None:
        return []
    first, later = both
    drift = later / first - 1 if first else 0.0
    beyond = abs(drift) > allowed
    says = f"{figure.value} {100 * drift:+.2f} % since, {100 * allowed:.2g} % allowed"
    return [_change(pair, figure, first, later, beyond, says)]


def _noise(kind: Kind, pair: Pair) -> Change | None:
    both, limit = _numbers(pair, "noise"), _number(pair[1].content.get("allowed"))
    if both is None or limit is None:
        return None
    first, later = both
    # What is still a tenth of the allowance is quiet, however quiet it was before.
    beyond = later > NOISE_GROWN * max(first, limit / 10)
    share = kind in (Kind.PINS, Kind.REFERENCE)
    scale, unit = (100.0, "%") if share else (1.0, UNIT_WORDS[kind])
    says = f"noise {scale * first:.2g}, now {scale * later:.2g} {unit}".rstrip()
    return _change(pair, Figure.NOISE, first, later, beyond, says)


def _warmth(first: Proof, later: Proof, rig: Rig) -> dict[str, tuple[float, float]]:
    """What each thermometer read in either proof, where it did in both."""
    found = {}
    for probe in rig.probes:
        pair = first.newest(Step.READS, probe.name), later.newest(Step.READS, probe.name)
        if probe.kind is Kind.TEMPERATURE and pair[0] is not None and pair[1] is not None:
            both = _numbers((pair[0], pair[1]), "centre")
            if both is not None:
                found[probe.name] = both
    return found


def _offset(pair: Pair, warmth: Mapping[str, tuple[float, float]]) -> list[Change]:
    name = pair[0].subject
    others = [both for other, both in warmth.items() if other != name]
    then, now = ([both[place] for both in others] for place in (0, 1))
    if len(others) < 2 or any(max(some) - min(some) > EVEN for some in (then, now)):
        return []
    first, later = warmth[name][0] - median(then), warmth[name][1] - median(now)
    beyond = abs(later - first) > OFFSET
    says = (
        f"{first:+.1f} K off the {len(others)} other thermometers, now {later:+.1f} K, "
        f"{OFFSET:g} K allowed"
    )
    return [_change(pair, Figure.OFFSET, first, later, beyond, says)]


def _instrument(pair: Pair) -> Change | None:
    first, later = (entry.content.get("instrument") for entry in pair)
    if not isinstance(first, str) or not isinstance(later, str) or first == later:
        return None
    says = f"instrument was {first!r}, is {later!r}"
    return _change(pair, Figure.INSTRUMENT, None, None, True, says)


def _insulation(pair: Pair) -> list[Change]:
    # None is an open circuit: more than the meter could tell, which `most` says.
    first, later = (_number(entry.content.get("least")) for entry in pair)
    first_most, later_most = (_number(entry.content.get("most")) for entry in pair)
    if first_most is None or later_most is None:
        return []
    before = first_most if first is None else first
    after = later_most if later is None else later
    beyond = later is not None and after < INSULATION_LEFT * before
    told = [
        f"more than {ohms(most)}" if least is None else ohms(least)
        for least, most in ((first, first_most), (later, later_most))
    ]
    says = f"insulation {told[0]}, now {told[1]}"
    return [_change(pair, Figure.INSULATION, before, after, beyond, says)]


def _pour(pair: Pair) -> list[Change]:
    both = _numbers(pair, "zero")
    worst = [_worst(entry.content.get("points")) for entry in pair]
    if both is None or worst[0] is None or worst[1] is None:
        return []
    (first, _), (later, allowed) = worst[0], worst[1]
    beyond = abs(later - first) > allowed
    says = f"level off the litres by {first:+.2f} L, now {later:+.2f} L, {allowed:.2g} L allowed"
    return [_change(pair, Figure.POUR, first, later, beyond, says)]


def _worst(points: Json) -> tuple[float, float] | None:
    """The residual that is largest by what is allowed there, and that."""
    if not isinstance(points, Sequence) or isinstance(points, str):
        return None
    found = []
    for point in points:
        if isinstance(point, dict):
            residual, allowed = _number(point.get("residual")), _number(point.get("allowed"))
            if residual is not None and allowed:
                found.append((residual, allowed))
    return max(found, key=lambda pair: abs(pair[0]) / pair[1]) if found else None


def _depth(pair: Pair) -> list[Change]:
    both, doubts = _numbers(pair, "depth"), _numbers(pair, "depth_uncertainty")
    if both is None or doubts is None:
        return []
    first, later = both
    allowed = COVERAGE * (doubts[0] ** 2 + doubts[1] ** 2) ** 0.5
    says = f"depth {first:.1f} mm, now {later:.1f} mm, {allowed:.1f} mm allowed"
    return [_change(pair, Figure.DEPTH, first, later, abs(later - first) > allowed, says)]


def _change(
    pair: Pair, figure: Figure, first: float | None, later: float | None, beyond: bool, says: str
) -> Change:
    subject, first_ms, later_ms = pair[0].subject, pair[0].utc_ms, pair[1].utc_ms
    return Change(subject, figure, first, later, first_ms, later_ms, beyond, says)


def _numbers(pair: Pair, name: str) -> tuple[float, float] | None:
    first, later = (_number(entry.content.get(name)) for entry in pair)
    return None if first is None or later is None else (first, later)


def _number(value: Json) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)
