"""What somebody saw on the specimen: what it was, where, and on which scale it is graded."""

from dataclasses import dataclass
from enum import StrEnum


class Sight(StrEnum):
    """What can be looked for on any specimen; a scale of the rig file may be of another word."""

    STAINING = "staining"
    BLOOM = "salt bloom"
    GROWTH = "growth"
    CRACKING = "cracking"
    SOFTENING = "softening"


class Face(StrEnum):
    """A face that can be looked at without opening the specimen."""

    DRY = "dry"
    WET = "wet"


class Looked(StrEnum):
    """How somebody looked."""

    BY_EYE = "by eye"
    MAGNIFIED = "under magnification"


@dataclass(frozen=True, slots=True)
class GradeScale:
    """A scale on which what is seen has a grade.

    `words` say what each grade means, from 0, which is that nothing was seen. It is of what `of`
    names; `source` says where it is from.
    """

    name: str
    of: tuple[str, ...]
    words: tuple[str, ...]
    source: str

    @property
    def highest(self) -> int:
        """Its highest grade."""
        return len(self.words) - 1
