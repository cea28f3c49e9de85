"""What lies over readings where they are shown: flags set by hand, and what contacts set aside."""

from pathlib import Path

from longsoak.core.water.contact import as_flags
from longsoak.store.logbook import Logbook
from longsoak.store.water import WaterRecord
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.rig import Rig
from longsoak.vocabulary.water import Aside


def asides_of(folder: Path, rig: Rig, *, now_ms: int) -> list[Aside]:
    """What contacts set aside in the record in `folder`; nothing of a rig without a reservoir."""
    return [] if rig.reservoir is None else WaterRecord(folder).asides(rig, now_ms=now_ms)


def flags_over(folder: Path, rig: Rig, *, now_ms: int) -> list[HandFlag]:
    """What lies over readings, the one that counts first.

    Flags set by hand, the newest first, go before what contacts set aside: whoever passes readings
    by hand has looked at them. Of these the newest go first too.
    """
    asides = as_flags(asides_of(folder, rig, now_ms=now_ms))
    return [*Logbook(folder).flags(), *sorted(asides, key=lambda flag: -flag.from_ms)]
