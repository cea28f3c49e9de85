"""How far a forwarder is behind the record."""

from dataclasses import dataclass

from longsoak.store.reader import Record


@dataclass(frozen=True, slots=True)
class Unsent:
    """What waits to be sent: how many scans, and when the oldest of them was taken, UTC ms."""

    scans: int
    oldest_utc_ms: int | None


def unsent(record: Record, position: int) -> Unsent:
    """What of `record` lies after `position`.

    Raises
    ------
    StoreError
        The record can't be read.
    """
    first = record.scans_after(position, limit=1)
    if not first:
        return Unsent(0, None)
    newest, _ = record.version()
    return Unsent(newest - position, first[0].utc_ms)
