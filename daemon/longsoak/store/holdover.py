"""Where scans belong that were taken while the clock had been synchronised and no longer was.

The crystal runs on by itself, a few parts in a million wrong (common practice: within 20 at room
temperature). When a server is found again and the clock is set by what it went wrong, that went
wrong evenly for all anybody knows. A stretch has one place, so those of such a time are kept short.
"""

from collections.abc import Sequence

from longsoak.core.clockplace import was_set
from longsoak.store.scans import Scans
from longsoak.store.stretches import Stretch
from longsoak.vocabulary.reading import Scan

PIECE_MS = 6 * 3_600_000  # at 20 parts in a million, 0.4 s
PAUSE_MS = 500  # between the scans of two pieces, so that one moved further does not reach another
_STEEPEST = 1e-4  # what a clock went wrong faster than this was set


def spread(stretches: Sequence[Stretch], scans: Scans, scan: Scan, base: int) -> list[Stretch]:
    """The stretches since the clock was synchronised last, where they lie if it went wrong evenly.

    Parameters
    ----------
    stretches : sequence of Stretch
        All of this boot, in order. The flag of a stretch's first scan is that of all in it.
    scans : Scans
        The record, up to the scan before `scan`.
    scan : Scan
        It is synchronised, as those before it were not.
    base : int
        UTC of CLOCK_BOOTTIME zero by the clock as it is now, ms.

    Returns
    -------
    list of Stretch
        Empty if there are none, or if the clock was set by more than it can have gone wrong.
    """
    first = len(stretches)
    while first and not was_set(stretches[first - 1].base_ms, base):
        first -= 1  # taken since the clock was put right, or never wrong
    end = first
    while first and not was_synchronised(scans, stretches[first - 1].first_scan):
        first -= 1
    held = stretches[first:end]
    if not held or not first:
        return []
    base_before = stretches[first - 1].base_ms
    began = scans.boottime_ms(held[0].first_scan - 1)
    ended = scan.boottime_ms
    if end < len(stretches) and stretches[end].first_scan <= scans.top:
        ended = scans.boottime_ms(stretches[end].first_scan)
    wrong = base - base_before
    if abs(wrong) > _STEEPEST * (ended - began):
        return []
    ends = [following.first_scan - 1 for following in stretches[first + 1 : end]]
    ends.append(stretches[end].first_scan - 1 if end < len(stretches) else scans.top)
    placed = []
    for stretch, last in zip(held, ends, strict=True):
        middle = (scans.boottime_ms(stretch.first_scan) + scans.boottime_ms(last)) / 2
        its_base = base_before + round(wrong * (middle - began) / (ended - began))
        placed.append(stretch._replace(shift_ms=its_base - stretch.offset_ms))
    return placed


def was_synchronised(scans: Scans, scan: int) -> bool:
    """Whether a scan there is found the clock synchronised."""
    if scan <= scans.sealed_to:
        times = scans.times(scans.chunk_of(scan))
        return bool(times.synchronised[scan - times.first])
    return any(row.synchronised for row in scans.rows(scan, scan))
