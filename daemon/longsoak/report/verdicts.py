"""Limits declared beforehand, judged from the record over each phase they are for."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from longsoak.core.findings.decision import Outcome
from longsoak.core.findings.verdict import Verdict, judge
from longsoak.core.findings.windows import Windows, windows_of
from longsoak.core.handflags import flags_of
from longsoak.core.limitwords import classless, limit_words, mould_layers
from longsoak.core.phases import Phase, phases
from longsoak.core.zones import Spot, spots_of
from longsoak.report.mouldevidence import mould_tables
from longsoak.rigfile.load import parse
from longsoak.store.logbook import Logbook
from longsoak.store.overlay import flags_over
from longsoak.store.reader import Record, RigVersion
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.logbook import PHASE
from longsoak.vocabulary.rig import Above, Limit, LimitQuantity, Probe, Rig

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from longsoak.store.arrays import Columns

    Numbers = NDArray[np.float64]
    RigOf = Callable[[RigVersion], Rig]

_HOUR_MS = 3_600_000
_BASELINE = "baseline"


@dataclass(frozen=True, slots=True)
class Finding:
    """What came of one limit in one phase. Times are UTC ms.

    `asks` is the limit in words, with the probes of the rig file that declared it.
    `with_aside` is what it would be with the readings in that contacts with the water set aside,
    `aside` how many hours of windows those are in. `version` of the rig file declared the limit, at
    `declared_ms`; `late` is whether the phase had begun by then, and `changed` are the versions
    accepted while it went on in which the limit reads otherwise, or is gone.
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
        self._versions = record.rig_versions()
        self._rigs: dict[int, Rig] = {}
        self._phases = phases(Logbook(record.folder).entries(kind=PHASE))
        self._over = (
            flags_over(record.folder, self._rig(self._versions[-1]), now_ms=now_ms)
            if self._versions
            else []
        )

    def all(self) -> Iterator[Finding]:
        last = self._record.last_utc_ms()
        if last is None:
            return
        for phase in self._phases:
            until = min(last + 1, phase.until_ms or last + 1)
            for declared in self._declared(phase, until):
                yield self._finding(phase, declared, until)

    def _rig(self, version: RigVersion) -> Rig:
        if version.number not in self._rigs:
            self._rigs[version.number] = parse(version.text, file="rig.toml", find_kind=None)
        return self._rigs[version.number]

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
        zone = _Evidence(self._record, declared.rig, self._phases, self._over, edges)
        kept = zone.verdict(limit, phase, spots, aside=False)
        # An index is carried on over months: not again where nothing of it was set aside.
        again = limit.quantity is not LimitQuantity.MOULD_INDEX or zone.has_aside(spots)
        whole = zone.verdict(limit, phase, spots, aside=True) if again else kept
        return Finding(
            limit,
            limit_words(limit, declared.rig),
            phase,
            tuple(name for spot in spots for name in spot.probes),
            phase.from_ms,
            edges[-1],
            kept,
            whole,
            zone.aside_h(spots),
            declared.version.number,
            declared.version.accepted_utc_ms,
            declared.late,
            declared.changed,
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
        record: Record,
        rig: Rig,
        known: Sequence[Phase],
        over: Sequence[HandFlag],
        edges: Sequence[int],
    ) -> None:
        self._record = record
        self._rig = rig
        self._phases = known
        self._over = over
        self._edges = edges
        self._probes = {probe.name: probe for probe in rig.probes}
        self._known: dict[tuple[str, int, int], Columns] = {}

    def verdict(self, limit: Limit, phase: Phase, spots: Sequence[Spot], *, aside: bool) -> Verdict:
        """Judge a limit; with what contacts set aside only if `aside`."""
        import numpy as np

        if limit.quantity is LimitQuantity.MOULD_INDEX:
            return self._mould(limit, spots, aside=aside)
        rows = [self._windows(spot, self._edges, aside=aside) for spot in spots]
        values = np.array([row.means for row in rows])
        doubts = np.array([row.uncertainties for row in rows])
        bounds = [np.array([row.at_least for row in rows]), np.array([row.at_most for row in rows])]
        base = self._base(limit, phase, spots, aside=aside)
        if isinstance(base, str):
            return _undecided(base)
        if base is not None:
            values, doubts = values - base[0], np.hypot(doubts, base[1])
        return judge(
            values, uncertainties=doubts, at_least=bounds[0], at_most=bounds[1], limit=limit
        )

    def _mould(self, limit: Limit, spots: Sequence[Spot], *, aside: bool) -> Verdict:
        import numpy as np

        if why := classless(limit, self._rig):
            return _undecided(why)
        first_ms = self._record.first_utc_ms()
        if first_ms is None or len(self._edges) < 2:
            return judge(np.empty((0, 0)), uncertainties=np.empty((0, 0)), limit=limit)
        values, doubts, least, most = mould_tables(
            spots,
            self._rig,
            lambda name, edges: self._averages(name, edges, aside=aside),
            first_ms=first_ms,
            edges=self._edges,
        )
        return judge(values, uncertainties=doubts, least=least, most=most, limit=limit)

    def aside_h(self, spots: Sequence[Spot]) -> float:
        """In how many hours of windows contacts set readings of the zone aside."""
        edges, own = self._edges, self._set_aside(spots)
        touched = sum(
            any(f.from_ms < end and (f.until_ms is None or f.until_ms > start) for f in own)
            for start, end in pairwise(edges)
        )
        return touched * (edges[1] - edges[0]) / _HOUR_MS if len(edges) > 1 else 0.0

    def has_aside(self, spots: Sequence[Spot]) -> bool:
        """Whether contacts set readings of the zone aside at any time."""
        return bool(self._set_aside(spots))

    def _set_aside(self, spots: Sequence[Spot]) -> list[HandFlag]:
        return [
            flag
            for spot in spots
            for name in spot.probes
            for flag in flags_of(self._over, self._probes[name])
            if flag.reason is Reason.SET_ASIDE
        ]

    def _windows(self, spot: Spot, edges: Sequence[int], *, aside: bool) -> Windows:
        (name,) = spot.probes
        return self._averages(name, edges, aside=aside)

    def _averages(self, name: str, edges: Sequence[int], *, aside: bool) -> Windows:
        import numpy as np

        probe = self._probes[name]
        if len(edges) < 2:
            none = np.empty(0)
            return Windows(none, none, none, none.astype(bool), none.astype(bool))
        read = self._read(name, edges[0], edges[-1])
        order = np.argsort(read.utc_ms, kind="stable")
        return windows_of(
            read.utc_ms[order],
            values=read.values[order],
            uncertainties=read.uncertainties[order],
            flags=_laid_over(read, self._own(probe, aside=aside))[order],
            reasons=read.reasons[order],
            edges=edges,
            every=1000.0 * probe.record,
        )

    def _read(self, name: str, since_ms: int, until_ms: int) -> "Columns":
        """Readings as they were kept: unpacked once, and judged with what lies over them or not."""
        key = (name, since_ms, until_ms)
        if key not in self._known:
            found = self._record.columns([name], since_ms=since_ms, until_ms=until_ms)
            self._known[key] = found[name]
        return self._known[key]

    def _own(self, probe: Probe, *, aside: bool) -> list[HandFlag]:
        own = flags_of(self._over, probe)
        return [f for f in own if f.reason is not Reason.SET_ASIDE] if aside else own

    def _base(
        self, limit: Limit, phase: Phase, spots: Sequence[Spot], *, aside: bool
    ) -> "tuple[Numbers, Numbers] | str | None":
        """What is taken off each spot's windows, with its uncertainty; or why nothing can be."""
        if limit.quantity is LimitQuantity.MASS_GAIN:
            width = round(limit.window * _HOUR_MS)
            return self._means(spots, (phase.from_ms - width, phase.from_ms), aside=aside)
        if limit.above is Above.OWN_BASELINE:
            baseline = _last_baseline(self._phases, phase)
            if baseline is None:
                return "No baseline phase ended before this one began, and the limit is above it."
            return self._means(spots, baseline, aside=aside)
        if limit.above is Above.CONTROL:
            if not phase.control:
                return "The phase names no unwetted control, and the limit is above it."
            there = spots_of(replace(limit, zone=replace(limit.zone, bay=phase.control)), self._rig)
            if not there:
                return f"Nothing of that kind is read in the control, {phase.control}."
            means, doubts = self._means(there, self._edges, aside=aside)
            return means.mean(axis=0, keepdims=True), doubts.mean(axis=0, keepdims=True)
        return None

    def _means(
        self, spots: Sequence[Spot], edges: Sequence[int], *, aside: bool
    ) -> "tuple[Numbers, Numbers]":
        """Means of some spots' windows and their uncertainties, a row a spot."""
        import numpy as np

        rows = [self._windows(spot, edges, aside=aside) for spot in spots]
        means = np.array([row.means for row in rows])
        return means, np.array([row.uncertainties for row in rows])


def _last_baseline(known: Sequence[Phase], phase: Phase) -> tuple[int, int] | None:
    for other in reversed(known):
        until = other.until_ms
        if other.phase == _BASELINE and until is not None and until <= phase.from_ms:
            return other.from_ms, until
    return None


def _laid_over(read: "Columns", flags: Sequence[HandFlag]) -> "NDArray[np.uint8]":
    """The readings' flags with what lies over them, as `as_flagged` lays it over one."""
    import numpy as np

    told = read.flags.copy()
    open_ = np.ones(len(told), dtype=bool)
    for flag in flags:
        inside = open_ & (read.utc_ms >= flag.from_ms)
        if flag.until_ms is not None:
            inside &= read.utc_ms < flag.until_ms
        open_ &= ~inside
        stays = read.flags == Flag.MISSING
        if flag.reason is Reason.SET_ASIDE:
            stays |= read.flags == Flag.FAIL
        told[inside & ~stays] = flag.flag
    return told


def _undecided(why: str) -> Verdict:
    return Verdict(Outcome.UNDECIDED, why, 0.0, 0.0, 0.0, 0.0, 0.0)
