"""A process that writes known scans as fast as it can, and says of each commit that it stands.

Run by `faults.victim`. On its standard output it writes numbers of eight bytes: the last scan of a
batch once its commit has returned, `REFUSED` when the disk took nothing, `AFRESH` when the record
was set aside and scan 1 is the next again. Ends with 3 if the record could not be opened, with 4 if
anything escaped that the service does not catch.
"""

import argparse
import os
import struct
import sys
import time
import traceback
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from faults.chance import drawn_from
from faults.known import EVERY_MS, T0, batch_of
from longsoak.service.chores import Chores
from longsoak.service.dayclosing import DayClosing
from longsoak.service.upkeep import Upkeep
from longsoak.store.aside import damaged
from longsoak.store.reader import Record
from longsoak.store.sealing import SealingPlan
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.happening import Event

REFUSED, AFRESH = (1 << 64) - 1, (1 << 64) - 2
NOW = "2030-03-17T17:46:40Z"
NUMBER = struct.Struct("<Q")
REST_AFTER_A_REFUSAL = 0.01  # s
BITES = 4  # of chores after each commit


def main() -> int:
    """Write until killed, or up to a scan."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument(
        "--run", type=int, default=0, help="how often this record was opened before"
    )
    parser.add_argument("--until", type=int, default=1 << 62, help="the last scan to write")
    parser.add_argument("--seals-often", action="store_true", help="after tens of scans")
    parser.add_argument("--acks", type=Path, help="where acknowledgements are written too")
    parser.add_argument(
        "--careless", action="store_true", help="with synchronous off: plants a loss"
    )
    chosen = parser.parse_args()
    acks = None
    if chosen.acks:
        acks = os.open(chosen.acks, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        size = os.fstat(acks).st_size
        os.ftruncate(acks, size - size % NUMBER.size)  # the one before may have died in a number
    try:
        child = opened(chosen, acks)
        if child is None:
            return 3
        child.write()
    except Exception:  # the campaign tells what escaped
        traceback.print_exc()
        return 4
    return 0


def opened(chosen: argparse.Namespace, acks: int | None) -> "Child | None":
    """The record, with a run begun in it; None, and a sentence, if the disk refuses."""
    try:
        writer = RecordWriter(chosen.folder, now=NOW)
        if writer.set_aside is not None:
            os.write(1, NUMBER.pack(AFRESH))
        if chosen.careless:
            writer._db.execute("PRAGMA synchronous = OFF")  # noqa: SLF001 - a loss is planted
        number, _ = Record(chosen.folder).version()
        utc_ms, boottime_ms = T0 + EVERY_MS * (number + 1), EVERY_MS * (number + 1)
        writer.accept_rig(f"# of seed {chosen.seed}, {chosen.run // 7}", utc_ms=utc_ms)
        writer.begin_run(
            boot=f"boot {chosen.run // 5}",
            software="0",
            utc_ms=utc_ms,
            boottime_ms=boottime_ms,
            synchronised=chosen.run % 2 == 0,
        )
    except StoreError as error:
        sys.stderr.write(f"{error}\n")
        return None
    return Child(writer, number, chosen, acks)


class Child:
    """Does with a record what the service does: writes, seals, adds up, closes days, folds in."""

    def __init__(
        self, writer: RecordWriter, number: int, chosen: argparse.Namespace, acks: int | None
    ) -> None:
        self._writer = writer
        self._number = number
        self._chosen = chosen
        self._acks = acks
        self._chance = drawn_from("run", chosen.seed, chosen.run)
        self._looked_again = False
        self._damage: str | None = None  # of a record that could not be set aside yet
        self._make_chores()

    def write(self) -> None:
        """Write, with all that is done beside, up to the last scan wanted, and close."""
        events: Sequence[Event] = ()
        while self._number < self._chosen.until:
            if self._damage is not None:
                self._go_over(self._damage)
                continue
            batch = batch_of(self._chosen.seed, self._number + 1)
            batch.events += events
            try:
                self._writer.commit(batch)
            except StoreError as error:
                self._refused(error)
                continue
            self._looked_again = False
            self._number += len(batch.scans)
            self._say(self._number)
            try:
                events = self._bite()
            except StoreError as error:
                self._refused(error)
            if self._chance.random() < 0.01:
                self._writer.fold_in()
        self._writer.end_run(utc_ms=T0 + EVERY_MS * self._number)
        self._writer.close()

    def _bite(self) -> Sequence[Event]:
        """Do some of what is due. As fast as scans come, so time runs: chores look every few s."""
        now, utc_ms = float(self._number), T0 + EVERY_MS * self._number
        return [e for _ in range(BITES) for e in self._chores.bite(now=now, utc_ms=utc_ms)]

    def _make_chores(self) -> None:
        often = SealingPlan(tail=40, lengths=(30, 90), enough=5)
        sealing = self._writer.sealing(often if self._chosen.seals_often else None)
        self._chores = Chores(
            [
                Upkeep(sealing, self._writer.summaries(), look=20.0),
                DayClosing(self._chosen.folder, self._writer),
            ]
        )

    def _refused(self, error: StoreError) -> None:
        """Try again; go over to a new record if this one is damaged twice: as the recorder does."""
        self._say(REFUSED)
        time.sleep(REST_AFTER_A_REFUSAL)
        if not damaged(error):
            return
        if self._looked_again:
            self._damage = str(error)
            self._go_over(self._damage)
            return
        with suppress(StoreError):
            self._writer.reopen(now=NOW)
            self._looked_again = True

    def _go_over(self, cause: str) -> None:
        at = EVERY_MS * (self._number + 1)
        try:
            self._writer.start_afresh(cause, utc_ms=T0 + at, boottime_ms=at, synchronised=False)
        except StoreError:  # to be called again
            time.sleep(REST_AFTER_A_REFUSAL)
            return
        self._damage = None
        self._number = 0
        self._say(AFRESH)
        self._make_chores()

    def _say(self, number: int) -> None:
        os.write(1, NUMBER.pack(number))
        if self._acks is not None and number < AFRESH:
            os.write(self._acks, NUMBER.pack(number))


if __name__ == "__main__":
    sys.exit(main())
