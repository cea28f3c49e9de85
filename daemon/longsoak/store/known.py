"""What is known of a record once it was read, and can't change while it is the same record."""

import threading
import zlib
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NamedTuple

from longsoak.store.sealed import ScanRow, SealedScans
from longsoak.vocabulary.errors import StoreError

MOST_TIMES = 32  # runs of sealed scans whose times are remembered


class Layout(NamedTuple):
    """What a scan's row holds: of which bus, which probes, in which raw units, under which rig."""

    bus: str
    probes: tuple[str, ...]
    units: tuple[str, ...]
    rig_version: int


class Chunk(NamedTuple):
    """A run of scans that are sealed together."""

    id: int
    first: int
    last: int
    first_utc_ms: int


class Kept:
    """What was found in a record and can't change, for as long as it is the same record."""

    def __init__(self, of: object = None, *, most_times: int = MOST_TIMES) -> None:
        self.lock = threading.RLock()
        self._of = of
        self.most_times = most_times  # chunks whose times are kept
        self.layouts: dict[int, Layout] = {}
        self.numbers: dict[str, int] = {}  # of probes
        self.chunks: list[Chunk] = []
        self.times: OrderedDict[int, SealedScans] = OrderedDict()
        self.rows: tuple[int, list[ScanRow]] = (0, [])
        self.ends: dict[int, int] = {}  # scan: its recorded UTC, of scans at a stretch's ends
        self.began: dict[int, int] = {}  # scan: its CLOCK_BOOTTIME, of the same

    def of(self, record: object) -> "Kept":
        """Itself, or a new one for another record: some thread may still read the old."""
        return self if record == self._of else Kept(record, most_times=self.most_times)

    def let_go(self) -> None:
        """Forget what takes megabytes, where it will hardly be asked for again."""
        with self.lock:
            self.times.clear()
            self.rows = (0, [])


@contextmanager
def intact(chunk: Chunk) -> Iterator[None]:
    """Tell what is damaged of a chunk."""
    try:
        yield
    except (ValueError, LookupError, zlib.error) as error:
        raise StoreError(
            f"the sealed scans {chunk.first} to {chunk.last} are damaged ({error}): leave the "
            "record as it is. `longsoak audit` says what else is, a backup holds them whole"
        ) from error


def missing(first: int, last: int) -> StoreError:
    """That scans which belong there are not."""
    which = f"scan {first} is" if first == last else f"scans {first} to {last} are"
    return StoreError(
        f"the record is damaged: {which} not in it. Leave it as it is. `longsoak audit` says what "
        "else is wrong, and a backup may hold them"
    )
