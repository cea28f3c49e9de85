"""Means of probes over windows of time, with what contacts set aside, or without. Needs numpy.

A probe's readings are unpacked once and forgotten: those of a long test would fill the memory.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from longsoak.core.findings.windows import Windows, windows_of
from longsoak.core.handflags import flags_of
from longsoak.core.wettrades import WetTrade, settling_flags, trades_in
from longsoak.report.extents import Extent, extents_of
from longsoak.store.reader import Record
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.rig import Probe

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from longsoak.store.arrays import Columns


class Within(NamedTuple):
    """What is left in that is set aside otherwise: after contacts, while wet trades settle."""

    aside: bool = False
    settling: bool = False


_Key = tuple[str, tuple[int, ...]]


class ProbeMeans(NamedTuple):
    """What was found of some probes, to be taken over by other `Means` of the same record."""

    windows: "dict[_Key, dict[Within, Windows]]"
    extents: dict[_Key, list[Extent]]


_STRICT = Within()
_EACH = [Within(aside, settling) for aside in (False, True) for settling in (False, True)]


class Means:
    """Windows of a record's probes, each worked out once.

    Parameters
    ----------
    record : Record
        Read while it may be written.
    probes : sequence of Probe
        Those that may be asked for.
    over : sequence of HandFlag
        What lies over readings, the one that counts first; see `flags_over`.
    trades : sequence of WetTrade
        What was poured into the specimen: until it has settled readings of its bay are set aside.
    strict : bool
        Whether windows are asked for only with nothing in them that was set aside.
    """

    def __init__(
        self,
        record: Record,
        probes: Sequence[Probe],
        over: Sequence[HandFlag],
        trades: Sequence[WetTrade] = (),
        *,
        strict: bool = False,
    ) -> None:
        record.remember_all_times()
        self._record = record
        self._probes = {probe.name: probe for probe in probes}
        self._over = over
        self._trades = trades
        self._each = [_STRICT] if strict else _EACH
        self._found = ProbeMeans({}, {})

    def read(
        self,
        name: str,
        *,
        windows: Sequence[Sequence[int]] = (),
        extents: Sequence[Sequence[int]] = (),
    ) -> None:
        """Find what will be asked of one probe: its readings are unpacked once for all of it.

        Parameters
        ----------
        name : str
            The probe's.
        windows, extents : sequence of sequence of int
            Edges, UTC ms, rising; those that are known already are passed over.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        windows = [e for e in windows if len(e) > 1 and _key(name, e) not in self._found.windows]
        extents = [edges for edges in extents if _key(name, edges) not in self._found.extents]
        if not windows and not extents:
            return
        since = min(edges[0] for edges in (*windows, *extents))
        until = max(edges[-1] for edges in (*windows, *extents))
        asked = self._record.columns([name], since_ms=since, until_ms=until, raw=False)
        read, probe = _in_order(asked[name]), self._probes[name]
        for edges in extents:
            self._found.extents[_key(name, edges)] = extents_of(read, edges)
        flags = {within: tuple(self._flags(probe, within)) for within in self._each}
        laid = {own: _laid_over(read, own) for own in set(flags.values())}
        for edges in windows:
            made = {own: _windows(read, told, edges, probe) for own, told in laid.items()}
            found = {within: made[own] for within, own in flags.items()}
            self._found.windows[_key(name, edges)] = found

    def windows(self, name: str, edges: Sequence[int], within: Within = _STRICT) -> Windows:
        """One probe's windows, with nothing in them that was set aside but what is asked for.

        Parameters
        ----------
        name : str
            The probe's.
        edges : sequence of int
            Where windows begin and end, UTC ms, rising, as many or one more.
        within : Within
            What is asked for nevertheless.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        import numpy as np

        if len(edges) < 2:
            none = np.empty(0)
            return Windows(none, none, none, none.astype(bool), none.astype(bool))
        if (key := _key(name, edges)) not in self._found.windows:
            self.read(name, windows=[edges])
        return self._found.windows[key][within]

    def extents(self, name: str, edges: Sequence[int]) -> list[Extent]:
        """How far one probe's readings went between edges, as for `windows`.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        if (key := _key(name, edges)) not in self._found.extents:
            self.read(name, extents=[edges])
        return self._found.extents[key]

    def found(self, name: str) -> ProbeMeans:
        """What was found of one probe so far."""
        known, extents = self._found.windows, self._found.extents
        return ProbeMeans(
            {key: known[key] for key in known if key[0] == name},
            {key: extents[key] for key in extents if key[0] == name},
        )

    def take(self, found: ProbeMeans) -> None:
        """Take over what others found."""
        self._found.windows.update(found.windows)
        self._found.extents.update(found.extents)

    @property
    def first_ms(self) -> int | None:
        """When the record begins, UTC; None where nothing was recorded."""
        return self._record.first_utc_ms()

    def touched(self, name: str) -> list[HandFlag]:
        """What contacts with the water set aside of a probe."""
        own = flags_of(self._over, self._probes[name])
        return [flag for flag in own if flag.reason is Reason.SET_ASIDE]

    def _flags(self, probe: Probe, within: Within) -> list[HandFlag]:
        """What lies over a probe's readings; what a person passed by hand goes before all else."""
        own = flags_of(self._over, probe)
        if within.aside:
            own = [flag for flag in own if flag.reason is not Reason.SET_ASIDE]
        settling = [] if within.settling else trades_in(self._trades, probe.bay)
        return [*own, *settling_flags(settling)]


def _key(name: str, edges: Sequence[int]) -> _Key:
    return name, (edges[0], edges[1], edges[-1], len(edges))


def _in_order(read: "Columns") -> "Columns":
    import numpy as np

    if (np.diff(read.utc_ms) >= 0).all():
        return read
    order = np.argsort(read.utc_ms, kind="stable")
    return type(read)(*(getattr(read, name)[order] for name in read.__slots__))


def _windows(
    read: "Columns", flags: "NDArray[np.uint8]", edges: Sequence[int], probe: Probe
) -> Windows:
    import numpy as np

    cut = slice(*np.searchsorted(read.utc_ms, (edges[0], edges[-1])).tolist())
    return windows_of(
        read.utc_ms[cut],
        values=read.values[cut],
        uncertainties=read.uncertainties[cut],
        flags=flags[cut],
        reasons=read.reasons[cut],
        edges=edges,
        every=1000.0 * probe.record,
    )


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
