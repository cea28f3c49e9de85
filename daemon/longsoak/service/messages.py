"""What reaches the recorder's queue, besides the passes of the buses."""

from typing import NamedTuple

from longsoak.vocabulary.rig import Rig


class OutletNews(NamedTuple):
    """How an outlet's last attempt went; `away` says what is wrong, None that all is well.

    `damage` is set where it was the record that could not be read, for what is in it.
    """

    outlet: str
    away: str | None
    damage: bool = False


class CursorMoved(NamedTuple):
    """An outlet has sent everything up to `position`."""

    outlet: str
    position: int


class Refuses(NamedTuple):
    """What an outlet's peer refuses for good of what it is sent; None once it takes it again."""

    outlet: str
    says: str | None


class Happened(NamedTuple):
    """Something worth an event, about an outlet."""

    kind: str
    outlet: str
    says: str


News = OutletNews | CursorMoved | Refuses | Happened  # of an outlet


class BackupNews(NamedTuple):
    """How it stands with backups: `trouble` says why there is none, None that there is one.

    `says` is what is new about it, if anything is.
    """

    trouble: str | None
    says: str | None


class Stop:
    """Somebody asked the process to end."""


class Reload:
    """Somebody asked, by a signal, that the rig file be taken up as it is now."""


class Checked(NamedTuple):
    """What came of reading the rig file: the rig and its whole text, or what is wrong.

    `wrong` is an outcome in words. Of a file with no mistake it is None.
    """

    rig: Rig | None
    text: str
    wrong: str | None
