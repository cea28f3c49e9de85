"""Making every entry of the ledger again from the record, and comparing."""

from collections.abc import Callable, Iterator, Sequence
from itertools import groupby, islice
from pathlib import Path
from typing import NamedTuple

from longsoak.core.merkle import leaf_hash
from longsoak.store.auditscans import ScanLook, Tell
from longsoak.store.known import Kept
from longsoak.store.ledger import Ledger
from longsoak.store.ledgerentries import (
    DAMAGE,
    KINDS,
    SCANS,
    SETTLED,
    ScanRun,
    day_entry,
    packed,
    rows_after,
    settled,
    words,
)
from longsoak.store.scans import Scans
from longsoak.store.sealed import ScanRow
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.ledger import DayHead, LedgerEntry

_ENTRIES = 2048  # made at a time
_ROWS = 2048  # scans read at a time
_LOWEST = -(2**63)  # below every id
_NOTHING = bytes(32)  # in the place of what can't be made again: no entry has this hash


class Extent(NamedTuple):
    """How far a record reached at one moment: its last scan, how many entries and closed days."""

    scan: int
    entries: int
    heads: int


class Chain(Ledger):
    """The entries of the record in `folder`, made again.

    Parameters
    ----------
    folder : Path
        The record's.
    extent : Extent
        How far to look: what comes while it is looked at is left for another time.
    look : ScanLook
        Every scan is handed through it.
    tell : callable
        Takes what is wrong.
    seen : callable
        Called with the id of the scan that was read last, every now and then.
    """

    def __init__(
        self,
        folder: Path,
        extent: Extent,
        look: ScanLook,
        *,
        tell: Tell,
        seen: Callable[[int], None],
    ) -> None:
        super().__init__(folder)
        self._extent = extent
        self._look = look
        self._tell = tell
        self._seen = seen
        self._kept = Kept()
        self._at = dict.fromkeys(KINDS, _LOWEST) | {SCANS: 0}
        self._settled: dict[tuple[str, int], LedgerEntry] = {}
        self.entries: list[LedgerEntry] = []  # without their content
        self.leaves: list[bytes] = []  # as the record has it now, not as was entered
        self.altered: list[int] = []  # numbers of the entries that can't be made again

    def walk(self) -> None:
        """Make all entries again, then look at the scans that are in none yet."""
        heads = self.heads()[: self._extent.heads]
        while wanted := min(_ENTRIES, self._extent.entries - len(self.entries)):
            batch = self.entries_after(len(self.entries), limit=wanted)
            first = len(self.entries) + 1
            if [entry.number for entry in batch] != list(range(first, first + wanted)):
                self._tell("ledger", f"entry {first} or one after it is not there")
                return
            for kind, same in groupby(batch, key=lambda entry: entry.kind):
                self._again(kind, list(same), heads)
        for _ in self._scans(self._at[SCANS] + 1, self._extent.scan):
            pass

    def since(self, kind: str) -> int:
        """How many rows of a kind are in no entry yet."""
        with self._open() as db:
            return len(rows_after(db, kind, self._at[kind]))

    def settled_otherwise(self) -> list[tuple[LedgerEntry, bytes]]:
        """What was entered as settled and is something else now: the entry, and what it is."""
        with self._open() as db:
            now = {(kind, row): content for kind in SETTLED for row, content in settled(db, kind)}
        return [
            (entry, now.get(which, b""))
            for which, entry in self._settled.items()
            if now.get(which) != entry.content
        ]

    def _again(self, kind: str, entries: list[LedgerEntry], heads: Sequence[DayHead]) -> None:
        match kind:
            case _ if kind in KINDS:
                leaves = self._rows(kind, entries)
            case _ if kind in SETTLED:
                leaves = [self._settled_leaf(entry) for entry in entries]
            case "scans":
                leaves = [self._scan_leaf(entry) for entry in entries]
            case "day":
                leaves = [self._day_leaf(entry, heads) for entry in entries]
            case _:
                leaves = [_NOTHING] * len(entries)
        for entry, leaf in zip(entries, leaves, strict=True):
            if leaf != entry.hash:
                self.altered.append(entry.number)
                gone = "is gone" if leaf == _NOTHING else "is not what was entered"
                self._tell(words(entry), f"{gone} (entry {entry.number} of the ledger)")
            self.leaves.append(leaf)
            self.entries.append(
                LedgerEntry(entry.number, kind, entry.first, entry.last, entry.hash)
            )

    def _rows(self, kind: str, entries: list[LedgerEntry]) -> list[bytes]:
        upto = entries[-1].last
        with self._open() as db:
            found = dict(rows_after(db, kind, self._at[kind], upto=upto))
        leaves = []
        for entry in entries:
            content = found.pop(entry.first, None)
            leaves.append(_NOTHING if content is None else leaf_hash(content))
        for row in found:
            what = words(LedgerEntry(0, kind, row, row, b""))
            self._tell(what, "was put in: the ledger does not know it")
        self._at[kind] = max(self._at[kind], upto)
        return leaves

    def _settled_leaf(self, entry: LedgerEntry) -> bytes:
        self._settled[entry.kind, entry.first] = entry
        content = entry.content or b""
        if not content.startswith(packed(entry.kind, entry.first)):
            return _NOTHING
        return leaf_hash(content)

    def _day_leaf(self, entry: LedgerEntry, heads: Sequence[DayHead]) -> bytes:
        content = entry.content or b""
        head = heads[entry.first - 1] if 1 <= entry.first <= len(heads) else None
        if head is None or day_entry(head.day, head.closed_utc_ms) != content:
            self._tell(words(entry), "is gone, or has another name or time than it was closed with")
        return leaf_hash(content)

    def _scan_leaf(self, entry: LedgerEntry) -> bytes:
        if entry.first != self._at[SCANS] + 1 or entry.last < entry.first:
            self._tell(words(entry), "do not follow on those entered before")
            return _NOTHING
        run = ScanRun(entry.first)
        try:
            run.add(self._scans(entry.first, entry.last), upto=entry.last)
        except (*DAMAGE, StoreError) as error:  # the chain goes on behind a block that is damaged
            self._tell(words(entry), f"can't be read: {error}")
            return _NOTHING
        finally:
            self._at[SCANS] = entry.last
        return leaf_hash(run.entry())

    def _scans(self, first: int, last: int) -> Iterator[ScanRow]:
        """The scans there are, in short looks: one that is held long lets the log grow."""
        at, end = first, min(last, self._extent.scan)
        while at <= end:
            with self._open() as db:
                scans = Scans(db, self._kept).rows(at, end)
                rows = list(self._look.watch(islice(scans, _ROWS)))
            yield from rows
            if rows:
                self._seen(rows[-1].id)
            if len(rows) < _ROWS:
                return
            at = rows[-1].id + 1
