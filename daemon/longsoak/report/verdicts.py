"""Limits declared beforehand, judged from the record over each phase they are for."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from longsoak.core.findings.decision import Outcome
from longsoak.core.findings.verdict import Verdict, judge
from longsoak.core.findings.windows import Windows
from longsoak.core.limitwords import classless, limit_words, mould_layers
from longsoak.core.newholes import NewHole, holes_of, new_holes
from longsoak.core.phases import BASELINE, Phase, phases
from longsoak.core.wettrades import WetTrade, trades_in, wet_trades
from longsoak.core.wording import time_words
from longsoak.core.zones import Spot, spots_of
from longsoak.report.means import Means, Within
from longsoak.report.mouldevidence import mould_tables
from longsoak.report.versions import Versions
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record, RigVersion
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.rig import Above, Limit, LimitQuantity, Rig

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Numbers = NDArray[np.float64]
    RigOf = Callable[[RigVersion], Rig]

_HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True)
class Finding:
    """What came of one limit in one phase. Times are UTC ms.

    `asks` is the limit in words, with the probes of the rig file that declared it.
    `with_aside` is what it would be with the readings in that contacts with the water set aside,
    `aside` how many hours of windows those are in; `with_settling` and `settling` are the same of
    what is set aside while the wet `trades` settle. `control_trades` went into the phase's control
    before the end of what was read. `holes` are where a probe of it was moved or renewed in the
    phase, or since the baseline that it is held against, which ends at `baseline_until_ms`.
    `version` of the rig file declared the limit, at `declared_ms`; `late` is whether the phase had
    begun by then, and `changed` are the versions accepted while it went on in which the limit reads
    otherwise, or is gone.
    """

    limit: Limit
    asks: str
    phase: Phase
    probes: tuple[str, ...]
    from_ms: int
    until_ms: int
    verdict: Verdict
    with_aside: Verdict
    aside: float
    with_settling: Verdict
    settling: float
    trades: tuple[WetTrade, ...]
    control_trades: tuple[WetTrade, ...]
    holes: tuple[NewHole, ...]
    baseline_until_ms: int | None
    version: int
    declared_ms: int
    late: bool
    changed: tuple[int, ...]

    @property
    def worst_ms(self) -> int | None:
        """When the window begins in which the zone was at its worst."""
        if self.verdict.window is None:
            return None
        return self.from_ms + round(self.verdict.window * self.limit.window * _HOUR_MS)


def findings(record: Record, *, now_ms: int) -> list[Finding]:
    """Judge every limit over every phase it is for, the oldest phase first. Needs numpy.

    Parameters
    ----------
    record : Record
        Read while it may be written.
    now_ms : int
        UTC now: a phase that goes on is judged as far as it has come.

    Raises
    ------
    StoreError
        The record can't be read.
    ImportError
        There is no numpy here.
    """
    return list(_Judging(record, now_ms).all())


class _Declared(NamedTuple):
    limit: Limit
    rig: Rig
    version: RigVersion
    late: bool
    changed: tuple[int, ...]


class _Judging:
    """One look at a record."""

    def __init__(self, record: Record, now_ms: int) -> None:
        self._record = record
        versions = Versions(record)
        self._versions, self._rig = versions.all, versions.rig
        self._means: dict[int, Means] = {}
        entries = Logbook(record.folder).entries()
        self._phases = phases(entries)
        self._trades = wet_trades(entries)
        self._holes = new_holes(entries)
        self._over = versions.over(now_ms=now_ms)

    def all(self) -> Iterator[Finding]:
        last = self._record.last_utc_ms()
        if last is None:
            return
        for phase in self._phases:
            until = min(last + 1, phase.until_ms or last + 1)
            for declared in self._declared(phase, until):
                yield self._finding(phase, declared, until)

    def _declared(self, phase: Phase, until_ms: int) -> list[_Declared]:
        """The limits of a phase as they stood when it began, then those that came late."""
        before = [v for v in self._versions if v.accepted_utc_ms <= phase.from_ms]
        during = [v for v in self._versions if phase.from_ms < v.accepted_utc_ms < until_ms]
        found: dict[str, _Declared] = {}
        for version in (*before[-1:], *during):
            rig = self._rig(version)
            for limit in rig.limits:
                if limit.name in found or not {phase.phase, phase.name} & set(limit.phases):
                    continue
                changed = tuple(
                    each.number
                    for each in during
                    if each.number > version.number and not _same(limit, rig, self._rig(each))
                )
                late = not before or version is not before[-1]
                since = version if late else _since(before, limit, self._rig)
                found[limit.name] = _Declared(limit, rig, since, late, changed)
        return list(found.values())

    def _finding(self, phase: Phase, declared: _Declared, until_ms: int) -> Finding:
        limit = declared.limit
        spots = spots_of(limit, declared.rig)
        width = round(limit.window * _HOUR_MS)
        count = max(0, until_ms - phase.from_ms) // width
        edges = [phase.from_ms + n * width for n in range(count + 1)]
        number = declared.version.number
        if number not in self._means:
            self._means[number] = Means(self._record, declared.rig.probes, self._over, self._trades)
        means = self._means[number]
        zone = _Evidence(means, declared.rig, self._phases, self._trades, self._holes, edges)
        verdict = zone.verdict(limit, phase, spots)
        trades = zone.trades(limit, phase, spots)
        aside, settling = zone.aside_h(spots), zone.settling_h(trades)
        # An index is carried on: what was set aside before the phase tells in it too.
        again = aside or (limit.quantity is LimitQuantity.MOULD_INDEX and zone.set_aside(spots))
        return Finding(
            limit,
            limit_words(limit, declared.rig),
            phase,
            tuple(name for spot in spots for name in spot.probes),
            phase.from_ms,
            edges[-1],
            _while_settling(verdict, trades, edges[-1]),
            zone.verdict(limit, phase, spots, aside=True) if again else verdict,
            aside,
            zone.verdict(limit, phase, spots, settling=True) if trades else verdict,
            settling,
            tuple(trades),
            tuple(_poured_into(self._trades, phase.control, edges[-1])),
            tuple(zone.holes(limit, phase, spots)),
            zone.baseline_until_ms(limit, phase),
            declared.version.number,
            declared.version.accepted_utc_ms,
            declared.late,
            declared.changed,
        )


def _poured_into(trades: Sequence[WetTrade], control: str, until_ms: int) -> list[WetTrade]:
    """What went into a phase's control before a time; nothing without a control."""
    return [t for t in trades_in(trades, control) if t.at_ms < until_ms] if control else []


def _while_settling(verdict: Verdict, trades: Sequence[WetTrade], until_ms: int) -> Verdict:
    """The same, but never held while a wet trade still settles at the end of what was read."""
    still = [t.until_ms for t in trades if t.at_ms < until_ms < t.until_ms]
    if verdict.outcome is not Outcome.HELD or not still:
        return verdict
    return replace(
        verdict,
        outcome=Outcome.UNDECIDED,
        why=f"A wet trade settles until {time_words(max(still))}, and nothing is held till then.",
    )


def _since(versions: Sequence[RigVersion], limit: Limit, rig_of: "RigOf") -> RigVersion:
    """The version since which a limit of the last one has stood as it does."""
    found = versions[-1]
    for version in reversed(versions):
        if not _same(limit, rig_of(versions[-1]), rig_of(version)):
            break
        found = version
    return found


def _same(limit: Limit, rig: Rig, other: Rig) -> bool:
    """Whether a limit of a rig file reads the same in another, with the surfaces it is of."""
    return limit in other.limits and mould_layers(limit, rig) == mould_layers(limit, other)


class _Evidence:
    """What is in the record for one limit over one phase's windows."""

    def __init__(
        self,
        means: Means,
        rig: Rig,
        known: Sequence[Phase],
        trades: Sequence[WetTrade],
        holes: Sequence[NewHole],
        edges: Sequence[int],
    ) -> None:
        self._means_of = means
        self._rig = rig
        self._phases = known
        self._trades = trades
        self._holes = holes
        self._edges = edges

    def verdict(
        self,
        limit: Limit,
        phase: Phase,
        spots: Sequence[Spot],
        *,
        aside: bool = False,
        settling: bool = False,
    ) -> Verdict:
        """Judge a limit; with what contacts set aside only if `aside`, wet trades if `settling`."""
        import numpy as np

        within = Within(aside, settling)
        if limit.quantity is LimitQuantity.MOULD_INDEX:
            return self._mould(limit, spots, within)
        rows = [self._windows(spot, self._edges, within) for spot in spots]
        values = np.array([row.means for row in rows])
        doubts = np.array([row.uncertainties for row in rows])
        bounds = [np.array([row.at_least for row in rows]), np.array([row.at_most for row in rows])]
        base = self._base(limit, phase, spots, within)
        if isinstance(base, str):
            return _undecided(base)
        if base is not None:
            values, doubts = values - base[0], np.hypot(doubts, base[1])
        return judge(
            values, uncertainties=doubts, at_least=bounds[0], at_most=bounds[1], limit=limit
        )

    def _mould(self, limit: Limit, spots: Sequence[Spot], within: Within) -> Verdict:
        import numpy as np

        if why := classless(limit, self._rig):
            return _undecided(why)
        first_ms = self._means_of.first_ms
        if first_ms is None or len(self._edges) < 2:
            return judge(np.empty((0, 0)), uncertainties=np.empty((0, 0)), limit=limit)
        values, doubts, least, most = mould_tables(
            spots,
            self._rig,
            lambda name, edges: self._means_of.windows(name, edges, within),
            first_ms=first_ms,
            edges=self._edges,
        )
        return judge(values, uncertainties=doubts, least=least, most=most, limit=limit)

    def aside_h(self, spots: Sequence[Spot]) -> float:
        """In how many hours of windows contacts set readings of the zone aside."""
        return self._touched_h([(f.from_ms, f.until_ms) for f in self.set_aside(spots)])

    def set_aside(self, spots: Sequence[Spot]) -> list[HandFlag]:
        """What contacts set aside of the zone's probes, at any time."""
        return [f for spot in spots for name in spot.probes for f in self._means_of.touched(name)]

    def trades(self, limit: Limit, phase: Phase, spots: Sequence[Spot]) -> list[WetTrade]:
        """The wet trades that settle over the zone, or over what it is held against."""
        bays = {spot.bay for spot in spots}
        if limit.above is Above.CONTROL and phase.control:
            bays.add(phase.control)
        since = self._since_ms(limit, phase)
        return [
            trade
            for trade in self._trades
            if any(trades_in([trade], bay) for bay in bays)
            and trade.at_ms < self._edges[-1]
            and trade.until_ms > since
        ]

    def settling_h(self, trades: Sequence[WetTrade]) -> float:
        """In how many hours of windows some wet trades settle."""
        return self._touched_h([(trade.at_ms, trade.until_ms) for trade in trades])

    def holes(self, limit: Limit, phase: Phase, spots: Sequence[Spot]) -> list[NewHole]:
        """The new holes of the zone's probes since what it is held against began."""
        since, names = self._since_ms(limit, phase), {name for s in spots for name in s.probes}
        return [h for h in self._holes if h.probe in names and since < h.at_ms < self._edges[-1]]

    def baseline_until_ms(self, limit: Limit, phase: Phase) -> int | None:
        """When the baseline ends that a limit is above; None where it is above none."""
        baseline = self._baseline(limit, phase)
        return None if baseline is None else baseline[1]

    def _since_ms(self, limit: Limit, phase: Phase) -> int:
        """When what a limit is judged by begins: the phase, or the baseline it is above."""
        baseline = self._baseline(limit, phase)
        return phase.from_ms if baseline is None else baseline[0]

    def _baseline(self, limit: Limit, phase: Phase) -> tuple[int, int] | None:
        own = limit.above is Above.OWN_BASELINE
        return _last_baseline(self._phases, phase) if own else None

    def _touched_h(self, spans: Sequence[tuple[int, int | None]]) -> float:
        edges = self._edges
        touched = sum(
            any(first < end and (last is None or last > start) for first, last in spans)
            for start, end in pairwise(edges)
        )
        return touched * (edges[1] - edges[0]) / _HOUR_MS if len(edges) > 1 else 0.0

    def _windows(self, spot: Spot, edges: Sequence[int], within: Within) -> Windows:
        (name,) = spot.probes
        return self._means_of.windows(name, edges, within)

    def _base(
        self, limit: Limit, phase: Phase, spots: Sequence[Spot], within: Within
    ) -> "tuple[Numbers, Numbers] | str | None":
        """What is taken off each spot's windows, with its uncertainty; or why nothing can be."""
        if limit.quantity is LimitQuantity.MASS_GAIN:
            width = round(limit.window * _HOUR_MS)
            return self._means(spots, (phase.from_ms - width, phase.from_ms), within)
        if limit.above is Above.OWN_BASELINE:
            baseline = self._baseline(limit, phase)
            if baseline is None:
                return "No baseline phase ended before this one began, and the limit is above it."
            return self._carried(spots, baseline, within)
        if limit.above is Above.CONTROL:
            if not phase.control:
                return "The phase names no unwetted control, and the limit is above it."
            there = spots_of(replace(limit, zone=replace(limit.zone, bay=phase.control)), self._rig)
            if not there:
                return f"Nothing of that kind is read in the control, {phase.control}."
            means, doubts = self._means(there, self._edges, within)
            return means.mean(axis=0, keepdims=True), doubts.mean(axis=0, keepdims=True)
        return None

    def _carried(
        self, spots: Sequence[Spot], baseline: tuple[int, int], within: Within
    ) -> "tuple[Numbers, Numbers]":
        """Each spot's own baseline at each window, with its uncertainty, a row a spot.

        A new hole is a new series: the baseline counts from the last one in it on, and is carried
        over one after it by its offset only. Without an offset, and in the window of the hole
        itself, there is none (NaN).
        """
        import numpy as np

        starts, ends = (np.array(at, dtype=float) for at in (self._edges[:-1], self._edges[1:]))
        rows = []
        for spot in spots:
            holes = holes_of(self._holes, spot.probes[0])
            begins = [hole.at_ms for hole in holes if baseline[0] < hole.at_ms < baseline[1]]
            own = self._windows(spot, (max([baseline[0], *begins]), baseline[1]), within)
            means = np.full(len(starts), own.means[0])
            squares = np.full(len(starts), own.uncertainties[0] ** 2)
            for hole in (hole for hole in holes if hole.at_ms >= baseline[1]):
                after = starts >= hole.at_ms
                means[(starts < hole.at_ms) & (ends > hole.at_ms)] = np.nan
                means[after] += np.nan if hole.offset is None else hole.offset
                squares[after] += (hole.uncertainty or 0.0) ** 2
            rows.append((means, np.sqrt(squares)))
        return np.array([means for means, _ in rows]), np.array([doubts for _, doubts in rows])

    def _means(
        self, spots: Sequence[Spot], edges: Sequence[int], within: Within
    ) -> "tuple[Numbers, Numbers]":
        """Means of some spots' windows and their uncertainties, a row a spot."""
        import numpy as np

        rows = [self._windows(spot, edges, within) for spot in spots]
        means = np.array([row.means for row in rows])
        return means, np.array([row.uncertainties for row in rows])


def _last_baseline(known: Sequence[Phase], phase: Phase) -> tuple[int, int] | None:
    for other in reversed(known):
        until = other.until_ms
        if other.phase == BASELINE and until is not None and until <= phase.from_ms:
            return other.from_ms, until
    return None


def _undecided(why: str) -> Verdict:
    return Verdict(Outcome.UNDECIDED, why, 0.0, 0.0, 0.0, 0.0, 0.0)
