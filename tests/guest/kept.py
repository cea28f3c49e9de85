"""Runs in the guest: prints, as JSON, what the record holds of the rig."""

import json
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

from longsoak.store.reader import Record


def main(folder: Path) -> None:
    """Print it.

    Raw values of each probe in the order kept, s from the boot to the first scan of the newest
    run, entries, whether the clock is known.
    """
    record = Record(folder)
    values: dict[str, list[float | None]] = {"air": [], "wood": []}
    firsts: dict[str, int] = {}
    for scan in record.scans_after(0, limit=100_000):
        firsts.setdefault(scan.run, scan.id)
        for reading in scan.readings:
            values[reading.probe].append(reading.raw)
    with closing(sqlite3.connect(f"{(folder / 'record.db').as_uri()}?mode=ro", uri=True)) as db:
        known = db.execute("SELECT synchronised FROM scan ORDER BY id DESC LIMIT 1").fetchone()
        first = list(firsts.values())[-1:]
        boots = db.execute("SELECT boottime_ms FROM scan WHERE id = ?", first or [0]).fetchone()
        notes = [says for (says,) in db.execute("SELECT says FROM logbook")]
    told = {
        "values": values,
        "first": boots[0] / 1e3 if boots else None,
        "clock known": known == (1,),
        "notes": notes,
    }
    sys.stdout.write(json.dumps(told))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
