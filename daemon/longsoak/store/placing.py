"""Gives each scan its stretch, and each stretch its place in time once that is known.

Called inside the writer's transactions. Whatever is known here lies in the record, and is read back
at every start.
"""

import sqlite3
from collections.abc import Sequence
from itertools import groupby, pairwise, takewhile
from typing import NamedTuple

from longsoak.core.clockplace import Unplaced, far_words, lay_between, set_words, was_set
from longsoak.core.wording import age_words, time_words, with_noun
from longsoak.store.appending import add_events
from longsoak.store.crowding import LEEWAY_MS, Crowd, Taken, apart
from longsoak.store.holdover import PAUSE_MS, PIECE_MS, spread
from longsoak.store.known import Kept
from longsoak.store.rungaps import settle_gaps
from longsoak.store.scans import Scans
from longsoak.store.stretches import (
    CLOCK,
    PLACED,
    UNSURE,
    Stretch,
    add_stretch,
    all_stretches,
    last_stretch,
    save_places,
)
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.reading import Scan

_LOOK_AHEAD_MS = 3_600_000  # what one look at a crowd covers


class State(NamedTuple):
    """What the next scan is compared with."""

    now: Stretch | None  # the last one of this boot
    last_utc_ms: int | None  # as recorded, of the last scan in it
    crowded_to_ms: int | None = None  # until when scans of other stretches lie; None for "look"
    crowd: Taken | None = None  # those of them about where the next scan goes
    since_ms: int = 0  # CLOCK_BOOTTIME of its first scan
    synchronised: bool | None = None  # whether its scans are; None at the start of a run


class Placing:
    """The stretches of the run that is under way, and of the boots before it.

    A boot's scans go by the base (UTC of CLOCK_BOOTTIME zero) of a synchronised scan of the same
    boot: those before the first one are moved to it, those after a clock that was set without
    being synchronised stay by the last one until another comes.
    """

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._run = 0
        self._boot = ""
        self._kept = Kept()
        self.state = State(None, None)

    def begin_run(self, run: int, *, boot: str) -> None:
        """What comes belongs to `run`."""
        self._run, self._boot = run, boot
        self.state = State(last_stretch(self._db, boot), None)

    def put_back(self, state: State) -> None:
        """Go on from what `state` was before a transaction that failed."""
        self.state = state
        self._kept = Kept()  # what was seen in it is not there

    def take(self, scan_id: int, scan: Scan) -> int:
        """Note a scan that is about to be written; return the UTC to keep it with.

        That is the scan's own, or a few ms more: times rise inside a stretch, and no two scans of
        one bus are placed at the same time.
        """
        offset = scan.utc_ms - scan.boottime_ms
        now = self.state.now
        if (
            now is None
            or was_set(now.offset_ms, offset)
            or scan.synchronised is not self.state.synchronised  # or a run begins: then it is None
            or self._too_long(now, scan)
        ):
            self._begin(scan_id, scan, offset)
        utc_ms = self._own_time(scan)
        self.state = self.state._replace(last_utc_ms=utc_ms)
        self._kept.let_go()
        return utc_ms

    def _too_long(self, now: Stretch, scan: Scan) -> bool:
        """Whether a stretch without synchronisation is to end, where that is between two passes."""
        if scan.synchronised or now.known == UNSURE or self.state.last_utc_ms is None:
            return False
        ran = scan.boottime_ms - self.state.since_ms
        pause = scan.utc_ms - self.state.last_utc_ms
        return ran > (PIECE_MS if pause > PAUSE_MS else 2 * PIECE_MS)

    def _own_time(self, scan: Scan) -> int:
        now, last, crowded_to, taken = self.state[:4]
        assert now is not None  # noqa: S101 - the scan has begun one if there was none
        utc_ms = scan.utc_ms if last is None else max(scan.utc_ms, last + 1)
        if crowded_to is None:
            latest = self._crowd(now).latest_ms()
            crowded_to = 0 if latest is None else latest
            self.state = self.state._replace(crowded_to_ms=crowded_to)
        if (at := utc_ms + now.shift_ms) <= crowded_to:
            if taken is None or not taken.since_ms <= at < taken.until_ms - LEEWAY_MS:
                taken = self._crowd(now).taken(at, at + _LOOK_AHEAD_MS)
                self.state = self.state._replace(crowd=taken)
            utc_ms += taken.first_free(scan.bus, at) - at
        return utc_ms

    def _crowd(self, now: Stretch) -> Crowd:
        scans = self._scans()
        return Crowd(self._db, scans, [range(now.first_scan, scans.top + 1)])

    def _scans(self) -> Scans:
        return Scans(self._db, self._kept)

    def _begin(self, scan_id: int, scan: Scan, offset: int) -> None:
        before = self.state.now
        shift, known = 0, CLOCK
        if not scan.synchronised:
            if before is None or before.known == UNSURE:
                known = UNSURE
            elif was_set(before.base_ms, offset):
                shift, known = before.base_ms - offset, PLACED
        number = add_stretch(
            self._db,
            run=self._run,
            first_scan=scan_id,
            offset_ms=offset,
            shift_ms=shift,
            known=known,
        )
        now = Stretch(number, self._run, self._boot, scan_id, offset, shift, known)
        runs_on = before is not None and not was_set(before.offset_ms, offset)
        self.state = State(
            now,
            self.state.last_utc_ms if runs_on else None,
            since_ms=scan.boottime_ms,
            synchronised=scan.synchronised,
        )
        if before is None:
            self._place_boots_before(scan_id, scan, offset if scan.synchronised else None)
        elif before.known == UNSURE:
            if scan.synchronised:
                self._place_boot(scan_id, scan, offset)
            elif not runs_on:  # what was set last is the best there is
                self._tell(
                    scan, f"{set_words(offset - before.offset_ms)}, and is not synchronised yet"
                )
                self._save(_moved(self._of_boot(), offset, UNSURE), scan_id)
        else:
            if runs_on and scan.synchronised and was_set(before.base_ms, offset):
                self._confirm(scan_id, scan, offset)
            spread_out = scan.synchronised and self._spread(scan_id, scan, offset)
            if not runs_on:
                self._tell(scan, _set_says(before, now, scan.synchronised, spread_out=spread_out))

    def _spread(self, scan_id: int, scan: Scan, base: int) -> bool:
        """Share out what the clock went wrong while it was not synchronised; say if it did."""
        spread_out = spread(self._of_boot()[:-1], self._scans(), scan, base)
        if spread_out:
            following = [s.first_scan for s in self._of_boot() if s.id > spread_out[-1].id]
            self._save(spread_out, min(following, default=scan_id))
            self._settle_gaps(scan, since_run=spread_out[0].run)
        return bool(spread_out)

    def _place_boot(self, scan_id: int, scan: Scan, base: int) -> None:
        """Go by the first synchronised scan of this boot."""
        early = [stretch for stretch in self._of_boot() if stretch.known == UNSURE]
        self._go_by(base, early, scan_id, scan)
        self._place_boots_before(scan_id, scan, base)

    def _confirm(self, scan_id: int, scan: Scan, base: int) -> None:
        """Go by a clock that was set before it was synchronised, now that it is."""
        since = takewhile(lambda s: not was_set(s.offset_ms, base), reversed(self._of_boot()))
        held = [stretch for stretch in since if was_set(stretch.base_ms, base)][::-1]
        self._go_by(base, held, scan_id, scan)
        self._settle_gaps(scan, since_run=held[0].run)

    def _go_by(self, base: int, stretches: Sequence[Stretch], scan_id: int, scan: Scan) -> None:
        moved = self._save(_moved(stretches, base, PLACED), scan_id)
        scans = self._scans()
        first, last = stretches[0].first_scan, scan_id - 1
        furthest = max((stretch.shift_ms for stretch in moved), key=abs)
        up_to = "" if len({stretch.shift_ms for stretch in moved}) == 1 else "up to "
        self._tell(
            scan,
            f"the clock is synchronised now: {_count(scan_id - first)}, recorded"
            f" from {time_words(scans.utc_ms(first))} to {time_words(scans.utc_ms(last))}, "
            + (f"are placed {up_to}{far_words(furthest)}" if furthest else "stand as recorded"),
        )

    def _place_boots_before(self, scan_id: int, scan: Scan, base: int | None) -> None:
        """Find room for the boots before this one that ended without ever being synchronised.

        `base` is where this boot began; None while that is not known.
        """
        boots = [list(group) for _, group in groupby(all_stretches(self._db), lambda s: s.boot)]
        scans = self._scans()
        sure = [boot[-1].known != UNSURE for boot in boots[:-1]]
        first = len(sure) - sure[::-1].index(True) if True in sure else 0
        ends = [following[0].first_scan - 1 for following in boots[1:]]
        after = scans.utc_ms(ends[first - 1]) + boots[first - 1][-1].shift_ms if first else None
        unsure = boots[first:-1]
        bases = lay_between(
            [
                Unplaced(boot[-1].offset_ms, scans.boottime_ms(end))
                for boot, end in zip(unsure, ends[first:], strict=True)
            ],
            after_ms=after,
            before_ms=base,
        )
        for boot, wanted, end in zip(unsure, bases, ends[first:], strict=True):
            moved = _moved(boot, wanted, UNSURE)
            if base is not None or moved != boot:
                count = _count(end + 1 - boot[0].first_scan)
                self._tell(scan, _between_says(count, moved[-1].shift_ms, after, base))
            if moved != boot:
                self._save(moved, end + 1)
        if base is not None and after is not None:
            first_scan = boots[-1][0].first_scan
            at = scan.boottime_ms if first_scan == scan_id else scans.boottime_ms(first_scan)
            if base + at <= after:
                self._tell(scan, _contradiction_says(base + at, after))
        self._settle_gaps(scan, since_run=boots[first][0].run)

    def _settle_gaps(self, scan: Scan, *, since_run: int) -> None:
        length = settle_gaps(self._db, since_run=since_run).get(self._boot)
        if length is not None:
            says = f"the clock is synchronised now: {age_words(length / 1000)} without readings"
            self._tell(scan, says, kind="gap", subject="record")

    def _of_boot(self) -> list[Stretch]:
        return [stretch for stretch in all_stretches(self._db) if stretch.boot == self._boot]

    def _save(self, stretches: Sequence[Stretch], until: int) -> list[Stretch]:
        """Keep where stretches on end, up to scan `until`, belong; return where that is."""
        starts = [stretch.first_scan for stretch in stretches] + [until]
        ids = [range(first, following) for first, following in pairwise(starts)]
        moved = apart(self._db, self._scans(), list(zip(stretches, ids, strict=True)))
        save_places(self._db, moved)
        now = last_stretch(self._db, self._boot)
        self.state = self.state._replace(now=now, crowded_to_ms=None, crowd=None)
        return moved

    def _tell(self, scan: Scan, says: str, *, kind: str = "clock", subject: str = "clock") -> None:
        assert self.state.now is not None  # noqa: S101 - a scan has been taken
        at = scan.boottime_ms + self.state.now.base_ms
        add_events(self._db, [Event(at, kind, subject, says, scan.boottime_ms)], run=self._run)


def _moved(stretches: Sequence[Stretch], base: int, known: str) -> list[Stretch]:
    """The same stretches, where they lie if their boot began at `base`."""
    return [
        stretch._replace(
            shift_ms=base - stretch.offset_ms if was_set(stretch.offset_ms, base) else 0,
            known=known,
        )
        for stretch in stretches
    ]


def _set_says(before: Stretch, now: Stretch, synchronised: bool, *, spread_out: bool) -> str:
    """That the clock was set, and what is made of it."""
    says = set_words(now.offset_ms - before.offset_ms)
    if spread_out:
        return f"{says} and is synchronised: what was measured since it last was is moved evenly"
    if not was_set(before.base_ms, now.offset_ms):
        return f"{says}, to where it was synchronised before"
    if synchronised:
        return f"{says} and is synchronised: what was measured before stays where it was"
    return f"{says} and is not synchronised: until it is, scans are placed as if it had not been"


def _between_says(count: str, shift_ms: int, after: int | None, before: int | None) -> str:
    """Where the scans of a boot whose clock was never synchronised were put."""
    bounds = {"after": after, "before": before}
    known = " and ".join(f"{w} {time_words(ms)}" for w, ms in bounds.items() if ms is not None)
    lie = f"were taken {known}, " if known else ""
    put = f"are placed {far_words(shift_ms)}" if shift_ms else "stand as recorded"
    return f"{count} of a boot whose clock was never synchronised {lie}and {put}"


def _contradiction_says(began: int, after: int) -> str:
    return (
        f"the clock is synchronised and says that this boot's first scan was at"
        f" {time_words(began)}, but one of a boot before it was at {time_words(after)}."
        " One of the two clocks was wrong; both stand as recorded"
    )


def _count(scans: int) -> str:
    return with_noun(scans, "scan")
