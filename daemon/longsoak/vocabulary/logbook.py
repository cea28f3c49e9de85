"""The logbook: what people write down beside the readings. Entries are added, never changed."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from longsoak.vocabulary.proof import Json

NOTE = "note"  # the kind of entry that is words and photos, and has no content of its own
FLAG = "flag"  # the kind that flags readings by hand; it speaks of the time from which they are
TOP_UP = "top-up"  # the kind that tells of water added; it speaks of when the can stopped
SERVICE = "service window"  # the kind that says until when somebody works at the rig
WATER = "water"  # the kind that tells what the water was like when somebody looked
CUP = "cup catch"  # the kind that tells how much water a bay's face gets
KNOWN = "known value"  # the kind that holds a probe against one
HAND = "hand reading"  # the kind that tells what a hand meter read in a bay, and where
METER_CHECK = "meter check"  # the kind that tells what a hand meter showed on a test block
SAMPLE = "sample"  # the kind that tells of a piece cut out of a bay, weighed and oven-dried
OBSERVATION = "observation"  # the kind that tells what was seen at a place, and its grade
PHASE = "phase"  # the kind that begins a phase of the test, or ends the one there is
WET_TRADE = "wet trade"  # the kind that tells of concrete or mortar poured into the specimen
NEW_HOLE = "new hole"  # the kind that tells of a probe's pins moved or renewed
CLOSING = "closing"  # the kind that answers an item of the list for the end of a test
WEIGHING = "weighing"  # the kind that tells what the specimen weighed on a scale

# What an entry of a kind is called where people read it or choose among them.
KIND_WORDS = {
    NOTE: "note",
    HAND: "reading by hand",
    METER_CHECK: "meter on a test block",
    SAMPLE: "sample cut out",
    WEIGHING: "weighing of the specimen",
    OBSERVATION: "observation",
    PHASE: "phase",
    WET_TRADE: "wet trade",
    NEW_HOLE: "new hole",
    CLOSING: "closing list",
    SERVICE: "work at the rig",
    TOP_UP: "top-up",
    WATER: "water round",
    CUP: "cup catch",
    FLAG: "flag set by hand",
    KNOWN: "check against a known value",
}


class About(StrEnum):
    """What kind of thing an entry is about; the values are the words people see."""

    RIG = "rig"
    BAY = "bay"
    PROBE = "probe"


@dataclass(frozen=True, slots=True)
class Subject:
    """What an entry is about. The rig's own name is not repeated: it is called "rig"."""

    about: About
    name: str

    def __str__(self) -> str:
        return self.name if self.about is About.RIG else f"{self.about}:{self.name}"


THE_RIG = Subject(About.RIG, "rig")


@dataclass(frozen=True, slots=True, kw_only=True)
class LogbookEntry:
    """One entry, as the record keeps it. Times are UTC, ms since 1970.

    `at_utc_ms` is the time it speaks of, `asked_utc_ms` when it was written, by the clock of
    whoever wrote. `says` may have several lines. `corrects` is the number of the entry it sets
    right; that one stays as it was, and `corrected_by` tells of it. `photos` are SHA-256 digests
    of files kept beside the record. `kind` says what `content` holds, and `schema` in which
    version of its form.

    The rest is unknown until it is kept: `number` counts from 1 without a hole; `kept_utc_ms` and
    `kept_boottime_ms` are the measuring process's clocks, `synchronised` whether the first of them
    was, `run` the run and `rig_version` the rig file it was kept under. `clock_off_ms` is what the
    clock it was written by turned out to be behind, and 0 as long as nothing of it is known.
    """

    asked_utc_ms: int
    at_utc_ms: int
    by: str
    says: str
    kind: str = NOTE
    subject: Subject = THE_RIG
    corrects: int | None = None
    photos: tuple[str, ...] = ()
    schema: int = 1
    content: Mapping[str, Json] = field(default_factory=dict)
    number: int = 0
    request: str = ""
    kept_utc_ms: int = 0
    kept_boottime_ms: int = 0
    synchronised: bool = False
    run: int = 0
    rig_version: int = 0
    corrected_by: tuple[int, ...] = ()
    clock_off_ms: int = 0
