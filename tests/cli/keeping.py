"""A rig file with a record beside it, kept by the shipped writer and nobody recording."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from math import nan
from pathlib import Path

from longsoak.rigfile.load import parse, read
from longsoak.service.clock import SystemClock
from longsoak.store.files import folder_of
from longsoak.store.inbox import Inbox
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan
from longsoak.vocabulary.rig import Rig
from rigs import UNITS


class Kept:
    """A record that is open for writing, at times told in s before now."""

    def __init__(self, rig_file: Path) -> None:
        source = read(rig_file)
        self.rig: Rig = parse(source.text, file=str(rig_file), find_kind=None)
        self.folder = folder_of(rig_file)
        self._kinds = {probe.name: probe.kind for probe in self.rig.probes}
        self.now_ms = SystemClock().utc_ms()
        self.writer = RecordWriter(self.folder, now="2026-05-04T09:00:00Z")
        self.writer.accept_rig(source.text, utc_ms=self.now_ms)
        self.writer.begin_run(
            boot="boot", software="0", utc_ms=self.now_ms, boottime_ms=10**10, synchronised=True
        )
        Inbox(self.folder).close()

    def scan(
        self,
        values: Mapping[str, float | None],
        *,
        ago: float,
        flags: Mapping[str, tuple[Flag, Reason]] | None = None,
    ) -> None:
        """Commit a scan of `values`, None a probe that did not answer; raw is ten times each."""
        judged = [
            (Flag.MISSING, Reason.NO_ANSWER)
            if value is None
            else (flags or {}).get(name, (Flag.PASS, Reason.NONE))
            for name, value in values.items()
        ]
        numbers = tuple(nan if value is None else value for value in values.values())
        at = self.now_ms - round(ago * 1000)
        scan = Scan(
            bus="wood",
            utc_ms=at,
            boottime_ms=10**10 + at - self.now_ms,
            synchronised=True,
            probes=tuple(values),
            units=tuple(UNITS[self._kinds[name]] for name in values),
            raw=tuple(10 * number for number in numbers),
            values=numbers,
            uncertainties=tuple(abs(number) / 100 for number in numbers),
            flags=tuple(flag for flag, _ in judged),
            reasons=tuple(reason for _, reason in judged),
        )
        self.writer.commit(Batch(scans=[scan]))

    def change(self, key: str, old: AlarmState, new: AlarmState, *, ago: float, says: str) -> None:
        """Commit one change of an alarm."""
        at = self.now_ms - round(ago * 1000)
        boottime = 10**10 + at - self.now_ms
        change = AlarmChange(key, at, boottime, old, new, None, says, None)
        self.writer.commit(Batch(changes=[change]))


@contextmanager
def kept(rig_file: Path) -> Iterator[Kept]:
    """A record for the length of a block; closed behind it, as a run that was stopped leaves it."""
    record = Kept(rig_file)
    try:
        yield record
    finally:
        record.writer.close()
