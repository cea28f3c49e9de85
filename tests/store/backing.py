"""A small record with a rig file to back up, and what its copies hold; all of it invented."""

import time
from collections.abc import Callable
from multiprocessing import get_context
from pathlib import Path

from longsoak.store.backup import Made, RigFiles, back_up
from longsoak.store.reader import Record
from rigs import START_MS, Keeper, small_rig

_FORK = get_context("fork")
RIG = RigFiles("small rig", b'[rig]\nname = "small rig"\n', (("hemp.curve.toml", b"# hemp\n"),))


def silent(_done: int, _total: int) -> None:
    """Take progress and say nothing."""


def a_record(folder: Path, scans: int = 50) -> Path:
    """A record with some scans, closed in order; return its folder."""
    with Keeper(folder, small_rig()) as keeper:
        keeper.scans([{"C 10/60": 12.0 + n / 100, "T core": 20.0} for n in range(scans)])
    return folder


def backed_up(
    folder: Path,
    to: Path,
    *,
    rig: RigFiles = RIG,
    keep: int = 7,
    mounted: bool = False,
    utc_ms: int = START_MS,
) -> Made:
    """Back a record up with nothing unusual about it."""
    to.mkdir(exist_ok=True)
    return back_up(
        folder,
        to,
        rig=rig,
        keep=keep,
        mounted=mounted,
        utc_ms=utc_ms,
        clock_known=True,
        software="0",
        tell=silent,
    )


def taken(folder: Path) -> list[tuple[int, tuple[float | None, ...]]]:
    """Every scan of a record with its raw values."""
    return [
        (scan.id, tuple(reading.raw for reading in scan.readings))
        for scan in Record(folder).scans_after(0, limit=100_000)
    ]


def time_of(work: Callable[[], object]) -> float:
    """How long `work` takes in a process of its own, s."""
    begun = time.monotonic()
    process = _FORK.Process(target=work)
    process.start()
    process.join(30)
    assert process.exitcode == 0
    return time.monotonic() - begun


def killed(work: Callable[[], object], *, after: float) -> bool:
    """Run `work` in a process of its own, and kill it after so many s; say if that cut it off."""
    process = _FORK.Process(target=work)
    process.start()
    process.join(after)
    process.kill()
    process.join(10)
    return process.exitcode != 0
