"""What reaches the recorder's queue, besides the passes of the buses."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class OutletNews:
    """How an outlet's last attempt went; `away` says what is wrong, None that all is well.

    `damage` is set where it was the record that could not be read, for what is in it.
    """

    outlet: str
    away: str | None
    damage: bool = False


@dataclass(frozen=True, slots=True)
class CursorMoved:
    """An outlet has sent everything up to `position`."""

    outlet: str
    position: int


@dataclass(frozen=True, slots=True)
class Refused:
    """An outlet's peer refused one piece for good; it was skipped, and this is said of it."""

    outlet: str
    says: str


@dataclass(frozen=True, slots=True)
class SentAgain:
    """An outlet went back to send something once more, and why."""

    outlet: str
    says: str


@dataclass(frozen=True, slots=True)
class BackupNews:
    """How it stands with backups: `trouble` says why there is none, None that there is one.

    `says` is what is new about it, if anything is.
    """

    trouble: str | None
    says: str | None


@dataclass(frozen=True, slots=True)
class Stop:
    """Somebody asked the process to end."""
