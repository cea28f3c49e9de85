"""What was measured and waits for the disk to take it, within bounds however long that takes."""

from collections.abc import Collection
from dataclasses import dataclass, fields
from typing import NamedTuple

from longsoak.core.wording import age_words, time_words, with_noun
from longsoak.service.clock import Clock
from longsoak.store.packing import pack, row_struct
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.reading import Scan

MOST_BYTES = 24_000_000  # of scans: two days of 64 probes every 10 s
MOST_EVENTS = 4000
RETRY = 1.0  # s between two attempts at a disk that refuses
PIECES = 16, 512  # scans in one commit of what waited: at first, and at most
WORTH_TELLING = 10.0  # s: a commit may stall for seconds
_SCAN_OVERHEAD = 300  # bytes of one held scan beside its readings, measured with tracemalloc
_MOST_LAYOUTS = 500
_SPARSEST = 1 << 20
_WATCHED_SHARE = 0.125  # of the bytes in question: less would be thinned out too often


@dataclass(slots=True)
class Lost:
    """What was given up so far because memory has bounds too."""

    scans: int = 0
    readings: int = 0
    events: int = 0
    first_ms: int | None = None
    last_ms: int | None = None

    def add(self, utc_ms: int, readings: int) -> None:
        """Count one scan more."""
        self.scans += 1
        self.readings += readings
        self.first_ms = utc_ms if self.first_ms is None else min(self.first_ms, utc_ms)
        self.last_ms = utc_ms if self.last_ms is None else max(self.last_ms, utc_ms)

    @property
    def says(self) -> str | None:
        """That in words, or None if nothing was."""
        if not self.scans or self.first_ms is None or self.last_ms is None:
            return f"{with_noun(self.events, 'event')} given up" if self.events else None
        events = f", and {with_noun(self.events, 'event')}" if self.events else ""
        return (
            f"{with_noun(self.scans, 'scan')} with {with_noun(self.readings, 'reading')}, of those "
            f"measured from {time_words(self.first_ms)} to {time_words(self.last_ms)}, "
            f"were given up{events}: the disk took nothing, and memory holds no more"
        )


class _Held(NamedTuple):
    """A scan as small as its row in the record: as it came it takes six times as much."""

    bus: str
    utc_ms: int
    boottime_ms: int
    synchronised: bool
    probes: tuple[str, ...]
    units: tuple[str, ...]
    readings: bytes
    number: int  # among those alike

    @property
    def size(self) -> int:
        return len(self.readings) + _SCAN_OVERHEAD


class Waiting:
    """Commits batches; keeps those that are refused, and tries them again before newer ones.

    The oldest go first, in pieces: a disk that has room for some of them takes those. Beyond
    `most` bytes every second of the older scans is given up, then of those left every second
    again, looks at watched probes before others: what is left covers all of the time, evenly.
    Changes of alarms, requests, steps of a proof and entries of the logbook are never given up.

    Parameters
    ----------
    writer : RecordWriter
        The record.
    clock : Clock
        The clocks.
    watched : collection of str
        Probes that are looked at more often than they must be kept.
    most : int
        Bytes of scans that are held at most.
    """

    def __init__(
        self,
        writer: RecordWriter,
        *,
        clock: Clock,
        watched: Collection[str] = (),
        most: int = MOST_BYTES,
    ) -> None:
        self.refusal: StoreError | None = None
        self.rest = Batch()  # all that waits but the scans
        self._writer = writer
        self._clock = clock
        self._watched = frozenset(watched)
        self._most = most
        self._scans: list[_Held] = []
        self._shared: dict[
            tuple[tuple[str, ...], tuple[str, ...]], tuple[tuple[str, ...], tuple[str, ...]]
        ] = {}
        self._numbers: dict[tuple[str, tuple[str, ...]], int] = {}
        self._every = {True: 1, False: 1}  # for looks and others: one of so many older ones stays
        self._bytes = 0
        self._lost = Lost()
        self._since: float | None = None  # when the disk first refused
        self._again = 0.0
        self._piece = PIECES[0]
        self._waited = 0

    def __bool__(self) -> bool:
        return bool(self._scans or self.rest)

    @property
    def scans(self) -> int:
        """How many scans wait."""
        return len(self._scans)

    @property
    def given_up(self) -> str | None:
        """What was given up since the disk refused, in words; None if nothing was."""
        return self._lost.says

    def refused_for(self) -> float:
        """For how long the disk has refused, s; 0 while it takes what it is given."""
        if self.refusal is None or self._since is None:
            return 0.0
        return self._clock.monotonic() - self._since

    def keep(self, batch: Batch) -> bool:
        """Commit what waits, then `batch`; false if the disk took nothing, or is not tried yet.

        What could not be kept waits: the caller is rid of `batch` in any case.
        """
        if not self:
            try:
                self._writer.commit(batch)
            except StoreError as error:
                self._refused(error)
                self._add(batch)
                return False
            return True
        self._add(batch)
        return self._clock.monotonic() >= self._again and self._keep_piece()

    def try_now(self) -> None:
        """Let the next `keep` try the disk without a rest: something has changed."""
        self._again = 0.0

    def _keep_piece(self) -> bool:
        taken = self._scans[: self._piece]
        self.rest.scans = list(map(_restored, taken))
        try:
            self._writer.commit(self.rest)
        except StoreError as error:
            self.rest.scans = []
            self._piece = PIECES[0]
            self._refused(error)
            return False
        del self._scans[: len(taken)]
        self._bytes -= sum(held.size for held in taken)
        self._waited += len(taken)
        self._piece = min(2 * self._piece, PIECES[1])
        self.refusal, self.rest = None, Batch()
        if not self._scans:
            self._tell_the_end()
        return True

    def _refused(self, error: StoreError) -> None:
        now = self._clock.monotonic()
        self._since = now if self._since is None else self._since
        self._again = now + RETRY
        self.refusal = error

    def _tell_the_end(self) -> None:
        now, lost, waited = self._clock.monotonic(), self._lost.says, self._waited
        seconds = 0.0 if self._since is None else now - self._since
        self._since, self._lost, self._waited = None, Lost(), 0
        self._every = {True: 1, False: 1}
        if lost is not None:
            self._tell("lost", lost)
        if lost is not None or seconds >= WORTH_TELLING:
            says = (
                f"the disk took nothing for {age_words(seconds)}; what is kept of that time "
                f"waited in memory: {with_noun(waited, 'scan')}"
            )
            self._tell("record", says)

    def _tell(self, kind: str, says: str) -> None:
        at = self._clock.boottime_ms()
        self.rest.events.append(Event(self._clock.utc_ms(), kind, "record", says, at))

    def _add(self, batch: Batch) -> None:
        for scan in batch.scans:
            held = self._held(scan)
            self._scans.append(held)
            self._bytes += held.size
        for one in fields(Batch):
            if one.name == "scans":
                continue
            mine, more = getattr(self.rest, one.name), getattr(batch, one.name)
            if isinstance(mine, dict):
                mine.update(more)
            else:
                mine += more
        while self._bytes > self._most and len(self._scans) > 2:
            self._thin_out()
        surplus = len(self.rest.events) - MOST_EVENTS
        if surplus > 0:
            del self.rest.events[:surplus]
            self._lost.events += surplus

    def _held(self, scan: Scan) -> _Held:
        # Each pass makes its names and units anew; there are few different ones.
        if len(self._shared) > _MOST_LAYOUTS:
            self._shared.clear()
            self._numbers.clear()
        key = scan.probes, scan.units
        probes, units = self._shared.setdefault(key, key)
        number = self._numbers.get((scan.bus, probes), 0)
        self._numbers[scan.bus, probes] = number + 1
        return _Held(
            scan.bus,
            scan.utc_ms,
            scan.boottime_ms,
            scan.synchronised,
            probes,
            units,
            pack(scan),
            number,
        )

    def _thin_out(self) -> None:
        """Give up scans between others, evenly over all but the newest, until there is room."""
        older = self._scans[: len(self._scans) - len(self._scans) // 8]
        size = sum(held.size for held in older)
        looks = sum(held.size for held in older if self._is_look(held))
        only_looks = looks >= _WATCHED_SHARE * size
        before = self._bytes
        while before - self._bytes < size / 16:
            every = self._every[only_looks]
            left = []
            for held in older:
                if self._is_look(held) != only_looks or held.number % every == 0:
                    left.append(held)
                else:
                    self._lost.add(held.utc_ms, len(held.probes))
                    self._bytes -= held.size
            self._scans[: len(older)] = left
            older = left
            if before - self._bytes < size / 16:
                self._every[only_looks] *= 2
            if self._every[only_looks] > _SPARSEST:  # each is of another sort
                del self._scans[0]
                self._lost.add(left[0].utc_ms, len(left[0].probes))
                self._bytes -= left[0].size
                return

    def _is_look(self, held: _Held) -> bool:
        return self._watched.issuperset(held.probes)


def _restored(held: _Held) -> Scan:
    n = len(held.probes)
    columns = row_struct(n).unpack(held.readings)
    return Scan(
        held.bus,
        held.utc_ms,
        held.boottime_ms,
        held.synchronised,
        held.probes,
        held.units,
        columns[:n],
        columns[n : 2 * n],
        columns[2 * n : 3 * n],
        tuple(map(Flag, columns[3 * n : 4 * n])),
        tuple(map(Reason, columns[4 * n :])),
    )
