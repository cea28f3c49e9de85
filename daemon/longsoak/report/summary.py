"""What an export holds, in short."""

from collections.abc import Mapping
from dataclasses import dataclass

from longsoak.vocabulary.ledger import DayHead
from longsoak.vocabulary.proof import Json


@dataclass(frozen=True, slots=True)
class Summary:
    """What an export holds.

    `first` and `last` are the times of its readings, RFC 3339 UTC; None where there is none.
    `wanted` is what part of the record was asked for, in words; empty if all. `photos_lost` are the
    digests of photos that are named and not there. `last_head` is the record's last closed day.
    """

    title: str
    invented: bool
    software: str
    readings: int
    probes: int
    first: str | None
    last: str | None
    wanted: Mapping[str, str]
    photos_lost: tuple[str, ...]
    last_head: DayHead | None

    def as_json(self) -> dict[str, Json]:
        """The same for programs."""
        head = self.last_head
        return {
            "rig": self.title,
            "invented": self.invented,
            "software": self.software,
            "readings": self.readings,
            "probes": self.probes,
            "first": self.first,
            "last": self.last,
            "wanted": dict(self.wanted),
            "photos_lost": list(self.photos_lost),
            "last_closed_day": None
            if head is None
            else {"day": head.day.isoformat(), "entries": head.entries, "root": head.root},
        }
