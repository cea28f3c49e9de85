"""Converting again what was measured, from the raw values in the record."""

from array import array
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from math import isnan, nan
from pathlib import Path

from longsoak.core.convert import ABSENT, Conversion, Row
from longsoak.store.derived import Derivation, Draft, take_away
from longsoak.store.known import Kept, Layout
from longsoak.store.packing import REASONS, Full, row_struct
from longsoak.store.recordfile import RecordFile, identity
from longsoak.store.scans import Scans
from longsoak.store.sealed import ScanRow
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.rig import Rig
from longsoak.vocabulary.sample import Missing, Sample

_AT_ONCE = 4096  # scans that are read in one look
_WHY = {reason: why for why, reason in ABSENT.items()}


class Rederiving(RecordFile):
    """Goes over the record once more, as it was measured, under a version of the rig file.

    Each scan is converted as it was when it came, in the order of scans and with the temperatures
    that the record has. Looks at a watched probe that showed nothing new are not in it.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._kept = Kept()

    def derive(
        self,
        rig: Rig,
        *,
        rig_version: int,
        made_utc_ms: int,
        software: str,
        progress: Callable[[int, int], None],
    ) -> tuple[Derivation, int, int]:
        """Convert everything again and show it from now on, if any of it comes out otherwise.

        Parameters
        ----------
        rig : Rig
            Of version `rig_version` of the rig file.
        made_utc_ms : int
            Now, UTC.
        progress : callable
            Called with how many scans are done, of how many.

        Returns
        -------
        tuple
            What is shown, how many readings were looked at, and how many came out otherwise.

        Raises
        ------
        StoreError
            The record can't be read.
        OSError, sqlite3.Error
            The file can't be written.
        """
        with self._open() as db:
            record, last = identity(db), Scans(db, self._kept).top
        draft = Draft(self.folder)
        try:
            seen = otherwise = last_utc_ms = 0
            probes = set()
            conversion, run = Conversion(rig), 0
            for rows, layouts, starts in self._runs(last):
                turned: defaultdict[str, _Turned] = defaultdict(_Turned)
                for row in rows:
                    now = starts[bisect_right(starts, row.id, key=_first) - 1][1] if starts else 0
                    if now != run:  # what was known of temperatures ended with the run
                        run, conversion = now, Conversion(rig)
                    _convert(row, layouts[row.layout], conversion, turned)
                for probe, readings in turned.items():
                    seen += len(readings.scans)
                    if readings.changed:
                        otherwise += readings.changed
                        probes.add(probe)
                        draft.add(probe, readings.scans, readings.column())
                last_utc_ms = rows[-1].utc_ms
                progress(rows[-1].id, last)
            derivation = Derivation(
                rig_version, last, last_utc_ms, made_utc_ms, software, frozenset(probes)
            )
            if probes:
                draft.finish(record, derivation)
            else:  # what was kept is what comes out: nothing else is to be shown
                draft.give_up()
                take_away(self.folder)
        except BaseException:
            draft.give_up()
            raise
        return derivation, seen, otherwise

    def _runs(
        self, last: int
    ) -> Iterator[tuple[list[ScanRow], dict[int, Layout], list[tuple[int, int]]]]:
        """All scans up to `last`, some at a time; their layouts; runs by scan."""
        at = 0
        while at < last:
            with self._open() as db:
                scans = Scans(db, self._kept)
                first = max(at + 1, scans.bottom)
                end = at + _AT_ONCE
                if first <= scans.sealed_to:
                    end = min(end, scans.chunk_of(first).last)
                rows = list(scans.rows(first, min(end, last)))
                starts = db.execute("SELECT first_scan, run FROM stretch ORDER BY id").fetchall()
            if not rows:
                return
            yield rows, scans.layouts, starts
            at = rows[-1].id


class _Turned:
    """One probe's scans, its readings as they come out now, and how many came out otherwise."""

    def __init__(self) -> None:
        self.scans = array("q")
        self.changed = 0
        self._numbers = array("f"), array("f")  # rounded as a row of the record rounds them
        self._flags, self._reasons = bytearray(), bytearray()

    def add(self, scan: int, new: Row, old: tuple[float, float, int, int]) -> None:
        """Take one reading and what it was, its value first."""
        _, _, value, uncertainty, flag, reason = new
        values, uncertainties = self._numbers
        self.scans.append(scan)
        values.append(value)
        uncertainties.append(uncertainty)
        self._flags.append(flag)
        self._reasons.append(reason)
        now = (values[-1], uncertainties[-1], flag, reason)
        self.changed += not all(map(_same, now, old))

    def column(self) -> Full:
        """All of them; their raw values are in the record."""
        values, uncertainties = map(tuple, self._numbers)
        raw = (nan,) * len(values)
        return Full(raw, values, uncertainties, tuple(self._flags), tuple(self._reasons))


def _convert(
    row: ScanRow, layout: Layout, conversion: Conversion, turned: Mapping[str, _Turned]
) -> None:
    n = len(layout.probes)
    numbers = row_struct(n).unpack(row.readings)
    samples: list[Sample | Missing] = []
    olds: list[tuple[float, float, int, int]] = []
    for i, (probe, unit) in enumerate(zip(layout.probes, layout.units, strict=True)):
        if not conversion.knows(probe):  # gone from the rig file: it stays as it was
            continue
        raw, value, uncertainty, flag, reason = numbers[i::n]
        olds.append((value, uncertainty, flag, reason))
        if flag == Flag.MISSING:
            samples.append(Missing(probe, _WHY[REASONS[reason]], ""))
        else:
            samples.append(Sample(probe, raw, unit))
    converted = conversion.rows(samples, now=row.boottime_ms / 1000)
    for sample, old, new in zip(samples, olds, converted, strict=True):
        turned[sample.probe].add(row.id, new, old)


def _same(one: float, other: float) -> bool:
    return one == other or (isnan(one) and isnan(other))


def _first(start: tuple[int, int]) -> int:
    return start[0]
