"""Going through a whole record: the file, every scan, the ledger, the photos."""

import json
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import date
from hashlib import file_digest
from pathlib import Path

from longsoak.store.aside import files_aside
from longsoak.store.auditchain import Chain, Extent
from longsoak.store.auditproof import Proof, prove, roots
from longsoak.store.auditscans import ScanLook, StretchRow
from longsoak.store.daycounts import DayCount
from longsoak.store.files import RECORD, connect_read_only
from longsoak.store.known import Kept
from longsoak.store.ledgerentries import (
    DAMAGE,
    KINDS,
    MOMENTS,
    SCANS,
    as_it_lies,
    packed,
    text_digest,
    words,
)
from longsoak.store.manifest import MANIFEST, read_manifest
from longsoak.store.migrations import ALL
from longsoak.store.photos import FOLDER
from longsoak.store.reader import Record
from longsoak.store.recordfile import RecordFile
from longsoak.store.scans import Scans
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.happening import RunGap
from longsoak.vocabulary.ledger import DayHead

_STRETCHES = "SELECT id, run, first_scan, offset_ms, shift_ms, known FROM stretch ORDER BY id"
MOST_TOLD = 100  # wrong things; what is behind them is counted


@dataclass(frozen=True, slots=True)
class Wrong:
    """Something that is not as it must be."""

    what: str
    says: str


@dataclass(slots=True)
class Audit:
    """What was found in a record.

    `lacks` are the changes of the schema the record has not seen. `days` is how much was measured
    on each. `open_rows` are rows, and `open_scans` scans, that are in no closed day yet.
    `elsewhere` counts photos of cards that were never kept beside the record. `notes` are no fault.
    """

    folder: Path
    lacks: tuple[str, ...] = ()
    days: Mapping[date, DayCount] = field(default_factory=dict)
    scans: int = 0
    first_utc_ms: int | None = None
    last_utc_ms: int | None = None
    stretches: int = 0
    gaps: Sequence[RunGap] = ()
    heads: Sequence[DayHead] = ()
    entries: int = 0
    open_rows: int = 0
    open_scans: int = 0
    photos: int = 0
    elsewhere: int = 0
    notes: list[str] = field(default_factory=list)
    wrong: list[Wrong] = field(default_factory=list)
    more_wrong: int = 0
    proof: Proof | None = None

    def tell(self, what: str, says: str) -> None:
        """Note something wrong."""
        if len(self.wrong) < MOST_TOLD:
            self.wrong.append(Wrong(what, says))
        else:
            self.more_wrong += 1


def audit(
    folder: Path,
    *,
    noted: tuple[date, str] | None = None,
    seen: Callable[[int, int], None] = lambda done, total: None,
) -> Audit:
    """Go through the record in `folder`.

    Parameters
    ----------
    folder : Path
        The record's, or a backup's.
    noted : tuple of date and str, optional
        A closed day and its root, as noted down elsewhere.
    seen : callable
        Called now and then with how many scans are read, of how many.

    Raises
    ------
    StoreError
        There is no record there, or it can't even be opened.
    """
    found = Audit(folder)
    found.notes += [
        f"{file.name} lies beside it, set aside as damaged: what was recorded before is in that "
        "file, and not in this record. A root from before the damage belongs to that file."
        for file in files_aside(folder)
    ]
    looked = _Look(folder, found)
    looked.file()
    try:
        looked.through(noted, seen)
    except DAMAGE as error:
        found.tell("record", f"can't be understood any further: {type(error).__name__}: {error}")
    except StoreError as error:
        found.tell("record", str(error))
    return found


class _Look(RecordFile):
    def __init__(self, folder: Path, found: Audit) -> None:
        super().__init__(folder)
        self._found = found

    def file(self) -> None:
        """The file itself, and whether its tables are those of this version."""
        found = self._found
        with self._open() as db:
            seen = {name for (name,) in db.execute("SELECT name FROM migration")}
        known = {migration.__name__ for migration in ALL}
        if unknown := sorted(seen - known):
            raise StoreError(
                f"the record was written by a newer version, with {', '.join(unknown)}. Look at it "
                "with that one."
            )
        found.lacks = tuple(m.__name__ for m in ALL if m.__name__ not in seen)
        try:
            with closing(connect_read_only(self.folder / RECORD)) as db:
                for (says,) in db.execute("PRAGMA integrity_check(10)").fetchall():
                    if says != "ok":
                        found.tell("file", says)
        except sqlite3.Error as error:
            found.tell("file", str(error))

    def through(self, noted: tuple[date, str] | None, seen: Callable[[int, int], None]) -> None:
        """The rest, as far as it can be read."""
        found = self._found
        with self._open() as db:
            as_it_lies(db)
            scans = Scans(db, Kept())
            stretches = [StretchRow(*row) for row in db.execute(_STRETCHES)]
            boots = dict(db.execute("SELECT id, boot FROM run").fetchall())
            rigs = [
                (number, accepted, text_digest(text).hex())
                for number, accepted, text in db.execute(
                    "SELECT id, accepted_utc_ms, text FROM rig_version ORDER BY id"
                )
            ]
            (entries,) = db.execute("SELECT ifnull(max(id), 0) FROM ledger_entry").fetchone()
            (heads,) = db.execute("SELECT count(*) FROM day_head").fetchone()
        if scans.bottom < 1:
            found.tell(f"scan {scans.bottom}", "was put in: scans count from 1")
        self._versions(scans, rigs)
        self._clock(stretches, boots, scans.top)
        found.stretches = len(stretches)
        found.gaps = Record(self.folder).gaps()
        look = ScanLook(scans.layouts, stretches, tell=found.tell)
        chain = Chain(
            self.folder,
            Extent(scans.top, entries, heads),
            look,
            tell=found.tell,
            seen=lambda scan: seen(scan, scans.top),
        )
        chain.walk()
        found.scans, found.days = look.scans, look.days
        found.first_utc_ms, found.last_utc_ms = look.first_utc_ms, look.last_utc_ms
        found.heads = chain.heads()[:heads]
        self._ledger(chain, stretches, boots, look)
        self._photos()
        if noted is not None:
            found.proof = self._prove(noted, chain, stretches, rigs)

    def _versions(self, scans: Scans, rigs: Sequence[tuple[int, int, str]]) -> None:
        known = {number for number, _, _ in rigs}
        for number, layout in scans.layouts.items():
            if layout.rig_version not in known:
                says = f"its rig file, version {layout.rig_version}, is not there"
                self._found.tell(f"layout {number}", says)
        with self._open() as db:
            kept = dict(db.execute("SELECT id, sha256 FROM rig_version").fetchall())
        for number, _, digest in rigs:
            if kept.get(number) != digest:
                self._found.tell(
                    f"rig file version {number}", "its text is not that of its SHA-256"
                )

    def _clock(self, stretches: Sequence[StretchRow], boots: Mapping[int, str], top: int) -> None:
        before = 0
        for stretch in stretches:
            what = f"stretch of the clock {stretch.id}"
            if stretch.run not in boots:
                self._found.tell(what, f"there is no run {stretch.run}")
            if not before < stretch.first_scan <= top:
                self._found.tell(what, f"begins with scan {stretch.first_scan}, out of order")
            before = stretch.first_scan

    def _ledger(
        self,
        chain: Chain,
        stretches: Sequence[StretchRow],
        boots: Mapping[int, str],
        look: ScanLook,
    ) -> None:
        found = self._found
        found.entries = len(chain.entries)
        closed = found.heads[-1].entries if found.heads else 0
        closed_scan = max((e.last for e in chain.entries[:closed] if e.kind == SCANS), default=0)
        found.open_scans = look.scans - closed_scan
        found.open_rows = sum(chain.since(kind) for kind in KINDS if kind not in MOMENTS)
        self._heads(chain)
        open_boots = _open_boots(stretches, boots, closed_scan)
        for entry, now in chain.settled_otherwise():
            what, content = words(entry), entry.content or b""
            unknown = content.endswith((packed(None), packed("unsure")))
            if now and (unknown or self._boot_of(entry.kind, entry.first) in open_boots):
                found.notes.append(f"The {what} is known otherwise since the last day was closed.")
            else:
                found.tell(what, "was changed after it was closed")

    def _heads(self, chain: Chain) -> None:
        """Every closed day must have the root of what there is, and lie behind the one before."""
        now, before = roots(chain.leaves), 0
        for head in self._found.heads:
            what = f"closed day {head.day}"
            size = head.entries
            if not before < size <= len(now):
                self._found.tell(what, f"is said to have {size} entries, after {before}")
                return
            if now[size - 1] != head.root:
                if any(number <= size for number in chain.altered):
                    return  # told already, and every later root follows from it
                self._found.tell(
                    what,
                    f"its root is {head.root}, and that of all its entries is {now[size - 1]}: the "
                    "entries or the root were written anew",
                )
                return
            if chain.entries[size - 1].kind != "day":
                self._found.tell(what, "does not end where it was closed")
            before = size

    def _boot_of(self, kind: str, row: int) -> str | None:
        table = {
            "run_end": "SELECT boot FROM run WHERE id = ?",
            "stretch_time": "SELECT boot FROM run WHERE id ="
            " (SELECT run FROM stretch WHERE id = ?)",
            "gap_time": "SELECT boot FROM run WHERE id = (SELECT run FROM gap WHERE id = ?)",
        }[kind]
        with self._open() as db:
            found = db.execute(table, (row,)).fetchone()
        return None if found is None else str(found[0])

    def _photos(self) -> None:
        found = self._found
        kept, elsewhere = self._named_photos()
        found.elsewhere = elsewhere
        folder = _photos_of(self.folder)
        for what, digest in kept:
            found.photos += 1
            path = next(iter(sorted(folder.glob(f"{digest}.*"))), None)
            if path is None:
                found.tell(what, f"its photo {digest} is not in {folder}")
                continue
            try:
                with path.open("rb") as file:
                    same = file_digest(file, "sha256").hexdigest() == digest
            except OSError as error:
                found.tell(what, f"its photo {path} can't be read: {error.strerror}")
                continue
            if not same:
                found.tell(what, f"its photo {path} is not the one that was kept")

    def _named_photos(self) -> tuple[list[tuple[str, str]], int]:
        """What names a photo that was kept, with its digest; how many name one kept elsewhere."""
        kept, elsewhere = [], 0
        with self._open() as db:
            for number, content in db.execute("SELECT id, content FROM proof_entry ORDER BY id"):
                card = json.loads(content)
                digest = card.get("photo_sha256")
                if digest is None:
                    continue
                if str(card.get("photo", "")).startswith(digest):
                    kept.append((f"proof entry {number}", str(digest)))
                else:
                    elsewhere += 1
            for number, photos in db.execute("SELECT id, photos FROM logbook ORDER BY id"):
                kept += [(f"logbook entry {number}", str(one)) for one in json.loads(photos)]
        return kept, elsewhere

    def _prove(
        self,
        noted: tuple[date, str],
        chain: Chain,
        stretches: Sequence[StretchRow],
        rigs: Sequence[tuple[int, int, str]],
    ) -> Proof:
        day, root = noted
        proof = prove(
            day,
            root,
            heads=self._found.heads,
            entries=chain.entries,
            leaves=chain.leaves,
            altered=chain.altered,
            rigs=rigs,
        )
        if not proof.last_scan:
            return proof
        with self._open() as db:
            scans = Scans(db, Kept())
            shift = next(s.shift_ms for s in reversed(stretches) if s.first_scan <= proof.last_scan)
            return replace(proof, last_utc_ms=scans.utc_ms(proof.last_scan) + shift)


def _open_boots(
    stretches: Sequence[StretchRow], boots: Mapping[int, str], closed_scan: int
) -> set[str | None]:
    """The boots that went on after the last day was closed: their times may be put right yet."""
    ends = [later.first_scan - 1 for later in stretches[1:]]
    open_runs = {s.run for s, end in zip(stretches, ends, strict=False) if end > closed_scan}
    open_runs |= {stretches[-1].run} if stretches else set()
    return {boots.get(run) for run in (*open_runs, max(boots, default=0))}


def _photos_of(folder: Path) -> Path:
    if (folder / MANIFEST).exists():  # a backup shares its photos with the others
        return folder.resolve().parent / read_manifest(folder).photos_folder
    return folder / FOLDER
