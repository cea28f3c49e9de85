"""A process that writes known scans as fast as it can, and says of each commit that it stands.

Run by `faults.victim`. On its standard output it writes numbers of eight bytes: the last scan of a
batch once its commit has returned, or `REFUSED` when the disk took nothing. Ends with 3 if the
record could not be opened, with 4 if anything but a `StoreError` escaped the house.
"""

import argparse
import os
import struct
import sys
import time
import traceback
from collections.abc import Sequence
from pathlib import Path

from faults.chance import drawn_from
from faults.witness import T0, batch_of
from longsoak.service.chores import Chore, Chores
from longsoak.store.reader import Record
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.errors import StoreError

REFUSED = (1 << 64) - 1
NUMBER = struct.Struct("<Q")
REST_AFTER_A_REFUSAL = 0.01  # s


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
        write(chosen, acks)
    except StoreError as error:
        sys.stderr.write(f"{error}\n")
        return 3
    except Exception:  # the campaign tells what escaped
        traceback.print_exc()
        return 4
    return 0


def write(chosen: argparse.Namespace, acks: int | None) -> None:
    """Open the record, write to it, close it."""
    folder, seed, run = chosen.folder, chosen.seed, chosen.run
    chance = drawn_from("run", seed, run)
    writer = RecordWriter(folder, now="2030-03-17T17:46:40Z")
    if chosen.careless:
        writer._db.execute("PRAGMA synchronous = OFF")  # noqa: SLF001 - a loss is planted
    number, _ = Record(folder).version()
    utc_ms, boottime_ms = T0 + 1000 * number + 1000, 1000 * number + 5950
    writer.accept_rig(f"# of seed {seed}, {run // 7}", utc_ms=utc_ms)
    writer.begin_run(
        boot=f"boot {run // 5}",
        software="0",
        utc_ms=utc_ms,
        boottime_ms=boottime_ms,
        synchronised=chance.random() < 0.5,
    )
    chores = Chores(all_chores(writer, folder))
    while number < chosen.until:
        batch = batch_of(seed, number + 1)
        while True:
            try:
                writer.commit(batch)
                break
            except StoreError:
                os.write(1, NUMBER.pack(REFUSED))
                time.sleep(REST_AFTER_A_REFUSAL)
        number += len(batch.scans)
        os.write(1, NUMBER.pack(number))
        if acks is not None:
            os.write(acks, NUMBER.pack(number))
        batch.events += chores.bite(now=time.monotonic(), utc_ms=utc_ms)
        if chance.random() < 0.01:
            writer.fold_in()
    writer.end_run(utc_ms=utc_ms)
    writer.close()


def all_chores(writer: RecordWriter, folder: Path) -> Sequence[Chore]:
    """Everything the service does with a record beside recording."""
    return ()


if __name__ == "__main__":
    sys.exit(main())
