"""Converting again what was measured, from the raw values in the record."""

from array import array
from bisect import bisect_right
from collections.abc import Callable, Iterator
from math import isnan, nan
from pathlib import Path
from typing import NamedTuple

from longsoak.core.convert import ABSENT, Conversion
from longsoak.store.derived import Derivation, Draft, take_away
from longsoak.store.known import Kept, Layout
from longsoak.store.packing import REASONS, Full, row_struct
from longsoak.store.recordfile import RecordFile, identity
from longsoak.store.scans import Scans
from longsoak.store.sealed import ScanRow
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.rig import Rig
from longsoak.vocabulary.sample import Missing, Sample

_Reading = tuple[float, float, int, int]  # value, uncertainty, flag, reason
_AT_ONCE = 4096  # scans that are read in one look, where they are not sealed
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
                turned: dict[str, _Turned] = {}
                for row in rows:
                    now = starts[bisect_right(starts, row.id, key=_first) - 1][1] if starts else 0
                    if now != run:  # what was known of temperatures ended with the run
                        run, conversion = now, Conversion(rig)
                    _convert(row, layouts[row.layout], conversion, turned)
                for probe, (scans, before, after) in turned.items():
                    seen += len(scans)
                    old, new = _as_kept(before), _as_kept(after)
                    changed = sum(not _same(a, b) for a, b in zip(old, new, strict=True))
                    if changed:
                        otherwise += changed
                        probes.add(probe)
                        draft.add(probe, scans, Full((nan,) * len(new), *zip(*new, strict=True)))
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
        """All scans up to `last`, sealed ones as they are sealed; their layouts; runs by scan."""
        at = 0
        while at < last:
            with self._open() as db:
                scans = Scans(db, self._kept)
                first = max(at + 1, scans.bottom)
                end = scans.chunk_of(first).last if first <= scans.sealed_to else at + _AT_ONCE
                rows = list(scans.rows(first, min(end, last)))
                starts = db.execute("SELECT first_scan, run FROM stretch ORDER BY id").fetchall()
            if not rows:
                return
            yield rows, scans.layouts, starts
            at = rows[-1].id


class _Turned(NamedTuple):
    """One probe's scans, and its readings as they were and as they come out now."""

    scans: list[int]
    before: list[_Reading]
    after: list[_Reading]


def _convert(
    row: ScanRow, layout: Layout, conversion: Conversion, turned: dict[str, _Turned]
) -> None:
    n = len(layout.probes)
    numbers = row_struct(n).unpack(row.readings)
    samples: list[Sample | Missing] = []
    olds: list[_Reading] = []
    for i, (probe, unit) in enumerate(zip(layout.probes, layout.units, strict=True)):
        if not conversion.knows(probe):  # gone from the rig file: it stays as it was
            continue
        raw, value, uncertainty, flag, reason = numbers[i::n]
        olds.append((value, uncertainty, flag, reason))
        if flag == Flag.MISSING:
            samples.append(Missing(probe, _WHY[REASONS[reason]], ""))
        else:
            samples.append(Sample(probe, raw, unit))
    converted = conversion.convert(samples, now=row.boottime_ms / 1000)
    for sample, old, new in zip(samples, olds, converted, strict=True):
        mine = turned.setdefault(sample.probe, _Turned([], [], []))
        mine.scans.append(row.id)
        mine.before.append(old)
        mine.after.append((new.value, new.uncertainty, new.flag, new.reason))


def _as_kept(readings: list[_Reading]) -> list[_Reading]:
    """Readings with their numbers rounded as a row rounds them."""
    values, uncertainties, flags, reasons = zip(*readings, strict=True)
    return list(zip(array("f", values), array("f", uncertainties), flags, reasons, strict=True))


def _same(one: _Reading, other: _Reading) -> bool:
    return all(a == b or (isnan(a) and isnan(b)) for a, b in zip(one, other, strict=True))


def _first(start: tuple[int, int]) -> int:
    return start[0]
