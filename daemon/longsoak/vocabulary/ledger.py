"""The ledger: a hash of everything that was recorded, closed by a root each day."""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class LedgerEntry:
    """The hash of what was recorded: one row of a kind, or a run of scans.

    `number` counts from 1 and is the place in the tree. `first` and `last` are the ids of the rows
    it was taken of. `content` is what was hashed where its rows may still change: what is not known
    at first, such as how far a clock was off, is entered again when it is.
    """

    number: int
    kind: str
    first: int
    last: int
    hash: bytes
    content: bytes | None = None


@dataclass(frozen=True, slots=True)
class DayHead:
    """A closed day: the root over all entries up to then.

    `day` is the UTC day of the last scan in it; `entries` is how many entries the root is over, and
    `root` 64 hexadecimal digits.
    """

    day: date
    entries: int
    root: str
    closed_utc_ms: int
