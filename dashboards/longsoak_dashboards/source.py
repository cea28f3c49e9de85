"""What one page is made of, read from the record: a snapshot, or why there is none."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from longsoak.core.handflags import as_flagged, flag_at, flags_of, laid_over
from longsoak.core.handplaces import HandReading, beside, hand_readings
from longsoak.core.recency import patience_ms
from longsoak.core.wording import time_words
from longsoak.service.clock import SystemClock
from longsoak.service.recordstate import state_of_record
from longsoak.store.aside import damaged
from longsoak.store.buckets import Bucket
from longsoak.store.derived import Derivation
from longsoak.store.files import folder_of
from longsoak.store.logbook import Logbook
from longsoak.store.overlay import asides_of, flags_over
from longsoak.store.readback import ReadBack
from longsoak.store.reader import Record, RigVersion
from longsoak.vocabulary.alarm import StoredChange
from longsoak.vocabulary.errors import RigFileError, StoreError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.happening import RunGap
from longsoak.vocabulary.outlet import Payload
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Probe, Rig
from longsoak.vocabulary.water import Aside
from longsoak_dashboards.view.marks import LOOKS_BACK_H

_HOUR_MS = 3_600_000
_CHUNK_H = (1, 5, LOOKS_BACK_H - 6)  # hours looked back for a last good value, nearest first

Parse = Callable[[str], Rig]


class NotYet(Exception):  # noqa: N818 - a state of things, not an error
    """There is nothing to show, and why; a calm page says it."""

    def __init__(self, says: str, remedy: str) -> None:
        super().__init__(says, remedy)
        self.says = says
        self.remedy = remedy


class NotBegun(NotYet):
    """Nothing was ever measured here: the first page says what to do."""


def unread(error: StoreError) -> NotYet:
    """What a sheet says where the record can't be read."""
    remedy = "Look at the disk, then reload this page."
    if damaged(error):
        remedy = (
            "While `longsoak run` runs it measures on: it looks the file over within minutes, sets "
            "it aside if it is damaged and goes on in a new one. Reload this page then."
        )
    return NotYet(f"{error}", remedy)


@dataclass(frozen=True, slots=True)
class Heading:
    """What the title block of every sheet tells. Times are UTC, ms since 1970."""

    rig: Rig
    version: RigVersion
    now_ms: int
    last_ms: int | None
    derivation: Derivation | None
    alarms: Mapping[str, StoredChange]


@dataclass(frozen=True, slots=True)
class Snapshot(Heading):
    """The record as it was for one page."""

    first_ms: int | None
    readings: Mapping[str, Reading]
    last_good_ms: Mapping[str, int | None]
    last_gap: RunGap | None


class Reduced(NamedTuple):
    """Readings by probe, reduced to intervals of `width_ms`."""

    width_ms: int
    rows: Mapping[str, Sequence[Bucket]]


def parse_rig(text: str) -> Rig:
    """Read a rig file's text as it was accepted; drivers are not asked again.

    Raises
    ------
    RigFileError
        This version of Longsoak does not accept it any more.
    """
    from longsoak.rigfile.load import parse

    return parse(text, file="rig.toml", find_kind=None)


class Source:
    """The record beside one rig file."""

    def __init__(self, rig_file: Path, *, parse: Parse = parse_rig) -> None:
        self.rig_file = rig_file
        self.record = Record(folder_of(rig_file))
        self._back, self._clock = ReadBack(self.record.folder), SystemClock()
        self._parse = parse
        self._parsed: tuple[str, Rig] | None = None  # by its text: a restored record counts anew
        self._before: dict[str, Rig] = {}  # a rig's file changes some dozen times in its life

    def _check_whose(self, version: RigVersion) -> None:
        from longsoak.rigfile.load import text_of
        from longsoak.rigfile.naming import check_name

        folder = self.record.folder
        try:
            text = text_of(self.rig_file)
            check_name(text, kept=version.text, file=self.rig_file.name, folder=folder)
        except RigFileError as error:
            raise NotYet(
                f"{self.rig_file.name} can't be told to be the file of the record in {folder}.",
                f"{error}",
            ) from error

    def rig(self) -> tuple[Rig, RigVersion]:
        """The rig as it is recorded under.

        Raises
        ------
        NotYet
            There is no record, nothing in it, another rig's, or its rig file can't be read.
        """
        start = f"Start the measuring process: longsoak run {self.rig_file.name}."
        try:
            version = self.record.rig_version()
        except StoreError as error:
            if (self.record.folder / "record.db").exists():
                raise unread(error) from error
            # Here and not above: pages of a record that lies there need nothing of restoring.
            from longsoak.store.restore import is_being_restored

            if is_being_restored(self.record.folder):
                raise NotYet(
                    "The record is being put back from a backup.",
                    "Leave `longsoak run` alone until that is done; it takes minutes.",
                ) from error
            raise NotBegun(f"There is no record beside {self.rig_file} yet.", start) from error
        if version is None:
            raise NotBegun("The record is there, but no rig file was accepted yet.", start)
        if self._parsed is None or self._parsed[0] != version.text:
            self._check_whose(version)
            try:
                self._parsed = (version.text, self._parse(version.text))
            except RigFileError as error:
                raise NotYet(
                    f"The rig file in the record, version {version.number}, can't be read: {error}",
                    "Mend the rig file and start `longsoak run` again.",
                ) from error
        return self._parsed[1], version

    def file_changed(self, version: RigVersion) -> bool:
        """Whether the rig file on the disk is another than a version that is measured under."""
        from longsoak.rigfile.ondisk import has_changed

        return has_changed(self.rig_file, version.text)

    def rig_of(self, version: RigVersion) -> Rig:
        """The rig as it was accepted in a version.

        Raises
        ------
        NotYet
            This version of Longsoak does not accept it any more.
        """
        known = self._parsed
        if known is not None and known[0] == version.text:
            return known[1]
        try:
            return self._parse(version.text)
        except RigFileError as error:
            raise NotYet(
                f"The rig file in the record, version {version.number}, can't be read: {error}",
                "`longsoak export` gives its text.",
            ) from error

    def heading(self, *, now_ms: int) -> Heading:
        """What a sheet without readings needs; unlike a snapshot it looks at none.

        Raises
        ------
        NotYet
            As for `rig`.
        """
        rig, version = self.rig()
        try:
            last_ms, derivation = self.record.last_utc_ms(), self.record.derivation()
            return Heading(rig, version, now_ms, last_ms, derivation, self.record.alarms())
        except StoreError as error:
            raise unread(error) from error

    def snapshot(self, *, now_ms: int) -> Snapshot:
        """Everything the section and alarm sheets need.

        Raises
        ------
        NotYet
            As for `rig`.
        """
        rig, version = self.rig()
        try:
            readings = self.record.latest(tuple(probe.name for probe in rig.probes))
            gaps = self.record.gaps()
            return Snapshot(
                rig=rig,
                version=version,
                now_ms=now_ms,
                first_ms=self.record.first_utc_ms(),
                last_ms=self.record.last_utc_ms(),
                derivation=self.record.derivation(),
                readings=laid_over(readings, self.over(rig, now_ms=now_ms), rig.probes),
                last_good_ms=self._last_good(readings, now_ms=now_ms),
                alarms=self.record.alarms(),
                last_gap=gaps[-1] if gaps else None,
            )
        except StoreError as error:
            raise unread(error) from error

    def snapshot_at(self, at_ms: int, *, now_ms: int) -> Snapshot:
        """The same as it was at a time in the past, under the rig file of that time.

        Readings are as they were taken and as they have been flagged since. A probe is left out
        whose last one had been taken too long before to stand for that time.

        Raises
        ------
        NotYet
            As for `rig`, or nothing had been read by then.
        """
        self.rig()
        try:
            stood, first_ms = self.record.stood(at_ms), self.record.first_utc_ms()
            if stood is None:
                raise NotYet(
                    f"Nothing had been read by {time_words(at_ms)}.",
                    "This record is empty so far."
                    if first_ms is None
                    else f"Its first reading is of {time_words(first_ms)}.",
                )
            rig = self._earlier(stood.version)
            patience = {probe.name: patience_ms(probe) for probe in rig.probes}
            readings = self.record.latest_at(patience, utc_ms=at_ms)
            gaps = [gap for gap in self.record.gaps() if gap.to_utc_ms <= at_ms]
            return Snapshot(
                rig=rig,
                version=stood.version,
                now_ms=at_ms,
                first_ms=first_ms,
                last_ms=stood.last_utc_ms,
                derivation=self.record.derivation(),
                readings=laid_over(readings, self.over(rig, now_ms=now_ms), rig.probes),
                last_good_ms=self._last_good(readings, now_ms=at_ms),
                alarms=self.record.alarms_at(at_ms),
                last_gap=gaps[-1] if gaps else None,
            )
        except StoreError as error:
            raise unread(error) from error

    def _earlier(self, version: RigVersion) -> Rig:
        """The rig as an earlier version of its file had it."""
        if (known := self._before.get(version.text)) is None:
            try:
                known = self._before[version.text] = self._parse(version.text)
            except RigFileError as error:
                raise NotYet(
                    f"Version {version.number} of the rig file, which held then, can't be read "
                    f"any more: {error}",
                    "What was measured then is in the record: `longsoak export` writes it.",
                ) from error
        return known

    def state(self) -> Payload:
        """Whether the rig is being recorded, as ``state.schema.json`` has it.

        Raises
        ------
        NotYet
            As for `rig`.
        """
        rig, _ = self.rig()
        try:
            return state_of_record(rig, self._back, clock=self._clock)
        except StoreError as error:
            raise unread(error) from error

    def by_hand(self) -> list[HandFlag]:
        """The flags somebody set that count, the newest first.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        return Logbook(self.record.folder).flags()

    def hand_beside(self, probe: Probe) -> list[tuple[HandReading, float]]:
        """Readings by hand beside a probe, the newest first, with how far off they are, mm.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        return beside(probe, hand_readings(Logbook(self.record.folder).entries()))

    def over(self, rig: Rig, *, now_ms: int) -> list[HandFlag]:
        """What lies over readings, the one that counts first; see `store.overlay`.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        return flags_over(self.record.folder, rig, now_ms=now_ms)

    def asides(self, rig: Rig, *, now_ms: int) -> list[Aside]:
        """What contacts with the water set aside, probe by probe.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        return asides_of(self.record.folder, rig, now_ms=now_ms)

    def reduced(
        self,
        probes: Sequence[str],
        *,
        since_ms: int,
        until_ms: int,
        now_ms: int,
        buckets: int,
        aside: bool = True,
    ) -> Reduced:
        """Readings as far as there are any, `until_ms` included; see `Record.reduced`.

        Times that somebody flagged as a fail have no value: no reading that fails is drawn. What a
        contact set aside is suspect, or left out where `aside` is false.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        width_ms, found = self.record.intervals(
            probes, since_ms=since_ms, until_ms=until_ms + 1, buckets=buckets
        )
        own = self._flags_of(probes, now_ms=now_ms)
        rows = {
            name: list(_as_flagged(row, own[name], aside=aside)) if own[name] else row
            for name, row in found.items()
        }
        return Reduced(width_ms, rows)

    def readings(
        self,
        probes: Sequence[str],
        *,
        since_ms: int,
        until_ms: int,
        now_ms: int,
        aside: bool = True,
    ) -> Iterator[list[Reading]]:
        """Single readings as `reduced` has them, `until_ms` included; see `Record.readings`.

        Raises
        ------
        StoreError
            The record can't be read, now or while they are taken.
        """
        own = self._flags_of(probes, now_ms=now_ms)
        kept = self.record.readings(probes, since_ms=since_ms, until_ms=until_ms + 1)
        return (list(_shown(some, own, aside=aside)) for some in kept)

    def _flags_of(self, probes: Sequence[str], *, now_ms: int) -> dict[str, list[HandFlag]]:
        """What lies over the readings of each of `probes`."""
        rig, _ = self.rig()
        over = self.over(rig, now_ms=now_ms)
        own = {probe.name: flags_of(over, probe) for probe in rig.probes}
        return {name: own.get(name, []) for name in probes}

    def _last_good(self, readings: Mapping[str, Reading], *, now_ms: int) -> dict[str, int | None]:
        """For each probe that is missing now, when it last gave a value; nearest hours first."""
        found: dict[str, int | None] = {
            name: None for name, reading in readings.items() if reading.flag is Flag.MISSING
        }
        until = now_ms + 1
        for hours in _CHUNK_H:
            since = until - hours * _HOUR_MS
            silent = [name for name, at in found.items() if at is None]
            found |= self.record.last_values(silent, since_ms=since, until_ms=until)
            until = since
        return found


def _shown(
    readings: Sequence[Reading], flags: Mapping[str, Sequence[HandFlag]], *, aside: bool
) -> Iterator[Reading]:
    """Single readings with what lies over them, by probe in `flags`."""
    for reading in readings:
        flagged = as_flagged(reading, flags[reading.probe])
        if aside or flagged.reason is not Reason.SET_ASIDE:
            yield flagged


def _as_flagged(
    row: Sequence[Bucket], flags: Sequence[HandFlag], *, aside: bool
) -> Iterator[Bucket]:
    """One probe's reduced readings with what lies over them at the beginning of each interval."""
    for bucket in row:
        flag = flag_at(flags, bucket.utc_ms)
        if flag is None or (bucket.worst is Flag.MISSING and bucket.low is None):
            yield bucket
        elif flag.reason is Reason.SET_ASIDE:
            if aside:
                yield bucket._replace(worst=max(bucket.worst, Flag.SUSPECT))
        elif flag.flag is Flag.FAIL:
            yield Bucket(bucket.utc_ms, None, None, None, None, bucket.readings, Flag.FAIL)
        elif bucket.low is not None:  # whoever passed readings by hand has looked at them
            yield bucket._replace(worst=flag.flag)
        else:
            yield bucket
