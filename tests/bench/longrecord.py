"""Records of months that are laid out as shipped and filled in minutes, sealed and added up."""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path

import numpy as np
import numpy.typing as npt

from longsoak.core.wording import rfc3339
from longsoak.store.files import RECORD
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan

START_MS = 1_777_852_800_000  # 2026-05-04T00:00:00Z
EVERY_MS = 60_000
MONTHS = 9 * 30 * 24 * 60  # scans
_AT_ONCE = 10_000


def numbered(probes: int) -> tuple[str, ...]:
    """Names for so many probes."""
    return tuple(f"P{n}" for n in range(probes))


def fill(
    folder: Path, *, names: Sequence[str], scans: int, text: str = "", start_ms: int = START_MS
) -> None:
    """A scan a minute of probes with these names, with numbers such as instruments give."""
    probes, names = len(names), tuple(names)
    writer = RecordWriter(folder, now=rfc3339(start_ms))
    writer.accept_rig(text, utc_ms=start_ms)
    writer.begin_run(boot="b", software="0", utc_ms=start_ms, boottime_ms=0, synchronised=True)
    first = Scan(
        "bus",
        start_ms,
        0,
        True,
        names,
        ("Ohm",) * probes,
        (4.2e6,) * probes,
        (17.0,) * probes,
        (0.5,) * probes,
        (Flag.PASS,) * probes,
        (Reason.NONE,) * probes,
    )
    writer.commit(Batch(scans=[first]))
    # Committing each would take hours. They are sealed and added up by what is shipped.
    with closing(sqlite3.connect(folder / RECORD)) as db, db:
        db.executemany(
            "INSERT INTO scan VALUES (?, 1, ?, ?, 1, ?)",
            _rows(probes=probes, scans=scans, start_ms=start_ms),
        )
    sealing, summaries = writer.sealing(), writer.summaries()
    while sealing.bite() or summaries.bite():
        while summaries.under_way:
            summaries.bite()
    summaries.close()
    writer.close()


def _rows(*, probes: int, scans: int, start_ms: int) -> Iterator[tuple[int, int, int, bytes]]:
    kinds = ("<f8", "<f4", "<f4", "u1", "u1")
    row = np.dtype([(str(i), kind, (probes,)) for i, kind in enumerate(kinds)])
    random = np.random.default_rng(9)
    start = random.uniform(14, 20, probes)
    for first in range(1, scans, _AT_ONCE):
        number = np.arange(first, min(scans, first + _AT_ONCE))
        laid = np.zeros(len(number), row)
        content = _content(number, start) + random.normal(0, 0.02, (len(number), probes))
        laid["0"] = np.round(10 ** (10 - content / 5), -3)
        laid["1"] = content
        laid["2"] = 0.5 + content / 100
        laid["3"] = np.where(random.random((len(number), probes)) < 0.001, 3, 1)
        for place, n in enumerate(number.tolist()):
            after = n * EVERY_MS
            yield n + 1, start_ms + after, after, laid[place].tobytes()


def _content(
    number: npt.NDArray[np.int64], start: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Moisture content that rises and falls over months, a little with each day, %."""
    swing = 0.3 * np.sin(number / 1440 * 2 * np.pi) + 4 * np.sin(number / MONTHS * np.pi)
    content: npt.NDArray[np.float64] = swing[:, None] + start
    return content
