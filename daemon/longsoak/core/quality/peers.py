"""Which probes a probe is judged by, and how far it has gone away from them. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf, isnan, nan
from statistics import fmean, median
from typing import NamedTuple

from longsoak.core.quality.limits import LIMITS, Limits
from longsoak.vocabulary.rig import Kind, Probe

LONGEST = 60  # days that are looked back
_DUPLICATES = 2  # of a probe that are enough to judge it by
_ALIKE_FROM = 7  # days from which on probes in different air can be compared
_SPREAD_OUTER, _SPREAD_INNER = 1.0, 0.6  # of what the peers differ by themselves
_KINK_DAYS, _KINK_BEFORE = 5, 7  # days, and those before that tell how it went
_KINK_WEEKS = 20  # days that tell how quiet it is
_KINK_SPREAD = 0.5  # of what the peers' own such changes differ by
_SHARE = 0.03  # of what all of them changed together


@dataclass(frozen=True, slots=True)
class Peers:
    """Probes of one kind that one probe is compared with.

    At one place: its duplicates, if there are two or more. In the specimen: those at the same depth
    of the same bay, which the water reaches in turn. `inner` tells that some of them sit on either
    side of it. In the air: all of the kind, though each may follow the weather more or less than
    the others (`in_air`).
    """

    names: tuple[str, ...]
    inner: bool = False
    in_air: bool = False


def peers_of(probe: Probe, probes: Sequence[Probe]) -> Peers:
    """The probes that tell whether `probe` is right; none where its kind can't be compared."""
    if probe.kind not in LIMITS:
        return Peers(())
    wet = _in_water(probes)
    if probe.name in wet:  # it goes its own way, and no other follows it
        return Peers(())
    others = [p for p in probes if p.kind is probe.kind and p is not probe and p.name not in wet]
    beside = [p for p in others if p.seat == probe.seat and _told(p) == _told(probe)]
    if len(beside) >= _DUPLICATES and any(part is not None for part in probe.seat):
        return Peers(tuple(p.name for p in beside), inner=True)
    if probe.kind is not Kind.PINS:
        return Peers(tuple(p.name for p in others), in_air=True)
    beside = [
        p
        for p in others
        if (p.bay, p.depth) == (probe.bay, probe.depth) and _told(p) == _told(probe)
    ]
    places = [_place(p) for p in beside]
    own = _place(probe)
    inner = bool(places) and min(places) < own < max(places)
    return Peers(tuple(p.name for p in beside), inner=inner)


def _in_water(probes: Sequence[Probe]) -> set[str]:
    """The thermometers that lie in the water: they correct its level or its conductivity alone."""
    correct = {kind: {n for p in probes if p.kind is kind for n in p.temperatures} for kind in Kind}
    return (correct[Kind.LEVEL] | correct[Kind.CONDUCTIVITY]) - correct[Kind.PINS]


def _told(probe: Probe) -> tuple[object, ...]:
    return probe.curve, probe.quantity


def _place(probe: Probe) -> tuple[float, float]:
    return probe.height or 0.0, probe.across or 0.0


class Apart(NamedTuple):
    """What a probe has changed by since a day and its peers have not.

    `change` is in the unit of its kind, and `excess` what is left of its size once all that may be
    is taken off. `moves` is the same change counted from each day there is.
    """

    since: int
    change: float
    excess: float
    moves: tuple[tuple[int, float], ...]

    def since_day(self, since: int) -> list[tuple[int, float]]:
        """How far it was away on each day from `since` on, as counted from there."""
        days = [(day, move) for day, move in self.moves if day >= since]
        return [(day, days[0][1] - move) for day, move in days]


def apart(
    days: Sequence[int],
    own: Sequence[float],
    others: Sequence[Sequence[float]],
    peers: Peers,
    limits: Limits,
) -> Apart | None:
    """Since which day a probe has gone furthest away from its peers; None if nothing can be said.

    A window-limited CUSUM: of all days to count from, the one that leaves the most is taken. Off
    that comes what a sensor may creep, a share of what all changed by together, and what the peers
    differ by among themselves: the water reaches one after the other.

    Parameters
    ----------
    days : sequence of int
        Numbers of the days, the last of which is judged.
    own, others
        Means of these days, of the probe and of each of its peers; NaN where there is none.
    peers : Peers
        How these are placed.
    limits : Limits
        Of their kind.
    """
    if not own or isnan(own[-1]):
        return None
    moves = _in_air(own, others, limits) if peers.in_air else _beside(own, others, peers)
    if moves is None:
        return None
    found: tuple[float, int, float] | None = None
    for at, (off, allowed) in enumerate(moves):
        if isnan(off) or at == len(moves) - 1:
            continue
        excess = abs(off) - allowed - limits.creep * (days[-1] - days[at])
        if found is None or excess > found[0]:
            found = excess, at, off
    if found is None:
        return None
    excess, at, change = found
    moved = tuple((day, off) for day, (off, _) in zip(days, moves, strict=True) if not isnan(off))
    return Apart(days[at], change, excess, moved)


# For each day: what the probe has changed by since then beyond its peers, and what of it may be.
_Moves = list[tuple[float, float]]


def _beside(own: Sequence[float], others: Sequence[Sequence[float]], peers: Peers) -> _Moves | None:
    share = _SPREAD_INNER if peers.inner else _SPREAD_OUTER
    now = [(row, row[-1]) for row in others if not isnan(row[-1])]
    if not now:
        return None
    moves: _Moves = []
    for at, then in enumerate(own):
        changes = [last - row[at] for row, last in now if not isnan(row[at])]
        if isnan(then) or not changes:
            moves.append((nan, nan))
            continue
        change = own[-1] - then
        usual = _usual(changes, change)
        moves.append((change - usual, share * (max(changes) - min(changes)) + _SHARE * abs(usual)))
    return moves


class Kink(NamedTuple):
    """What a probe has risen by within `days` beyond what it did before and its peers do now.

    `change` is in the unit of its kind, `excess` what is left of it once what peers differ by among
    themselves is taken off. `usual` is the largest change of slope that it, before these days, or a
    peer made in weeks: how quiet it is where it sits.
    """

    days: int
    change: float
    excess: float
    usual: float


def beside_what_went_before(own: Sequence[float], others: Sequence[Sequence[float]]) -> Kink | None:
    """How far a probe has risen in the last days, against days before and against its peers.

    A change of slope shows what is too small, or too slow, to tell a probe from neighbours that the
    water reaches in turn.

    Parameters
    ----------
    own, others
        Means of days, of the probe and of each of its peers, the last one being judged; NaN where
        there is none.

    Returns
    -------
    Kink or None
        None where days are missing, or there are fewer than two peers.
    """
    rows = [_kink(row) for row in others]
    known = [kink for kink in rows if not isnan(kink)]
    change = _kink(own)
    if isnan(change) or len(known) < 2:
        return None
    change -= median(known)
    before = [_kink(own, back) for back in range(_KINK_DAYS, _KINK_DAYS + _KINK_WEEKS)]
    theirs = [_kink(row, back) for row in others for back in range(_KINK_WEEKS)]
    usual = max((abs(kink) for kink in (*before, *theirs) if not isnan(kink)), default=inf)
    excess = change - _KINK_SPREAD * (max(known) - min(known))
    return Kink(_KINK_DAYS, change, excess, usual)


def _kink(row: Sequence[float], back: int = 0) -> float:
    """What the last days changed by, less what the days before would have made of it.

    The last but `back` ones.
    """
    end = len(row) - back
    part = row[max(0, end - _KINK_DAYS - _KINK_BEFORE - 1) : end]
    before = part[: _KINK_BEFORE + 1]
    if len(part) <= _KINK_DAYS + _KINK_BEFORE or isnan(sum(before) + part[-1]):
        return nan
    middle = _KINK_BEFORE / 2
    weights = [i - middle for i in range(_KINK_BEFORE + 1)]
    along = sum(w * v for w, v in zip(weights, before, strict=True))
    slope = along / sum(w * w for w in weights)
    return part[-1] - before[-1] - slope * _KINK_DAYS


def _in_air(
    own: Sequence[float], others: Sequence[Sequence[float]], limits: Limits
) -> _Moves | None:
    """In air that follows the weather more or less: how much it does is learnt from day to day."""
    steps: list[tuple[int, int, float, float]] = []  # from and to which day, own, usual
    known = [at for at, value in enumerate(own) if not isnan(value)]
    for a, b in pairwise(known):
        changes = [row[b] - row[a] for row in others]
        changes = [change for change in changes if not isnan(change)]
        if changes:
            steps.append((a, b, own[b] - own[a], _usual(changes, own[b] - own[a])))
    if len(steps) < _ALIKE_FROM or steps[-1][1] != len(own) - 1:
        return None
    mean_own, mean_usual = fmean(s[2] for s in steps), fmean(s[3] for s in steps)
    prior = limits.apart * limits.apart
    covers = sum((s[2] - mean_own) * (s[3] - mean_usual) for s in steps) + prior
    varies = sum((s[3] - mean_usual) ** 2 for s in steps) + prior
    follows = min(2.0, max(0.2, covers / varies))
    moves: _Moves = [(nan, nan)] * len(own)
    off = usual = 0.0
    moves[-1] = 0.0, 0.0
    for at, _, own_step, usual_step in reversed(steps):
        off += own_step - follows * usual_step
        usual += follows * usual_step
        moves[at] = off, _SHARE * abs(usual)
    return moves


def _usual(changes: Sequence[float], own: float) -> float:
    """What the peers say a change should be: their median; of two, the one that agrees more.

    So a peer that fails by itself does not make the probe look wrong, where there are two or more.
    """
    if len(changes) == 2:
        return min(changes, key=lambda change: abs(own - change))
    return median(changes)
