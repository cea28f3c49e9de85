"""What the guest's record holds, and what a cut of its power took of it."""

import json
import random
from dataclasses import dataclass
from time import monotonic, sleep
from typing import TypedDict

from guest.machine import ANSWER, Guest
from guest.root import RIG
from waiting import wait_for

CUTS = 5
SETTLED = 20.0  # s before a cut; what was told earlier has to be kept however slow the machine is
PYTHON = "PYTHONPATH=/root/tests /opt/longsoak/bin/python"
Told = TypedDict(
    "Told",
    {
        "values": dict[str, list[float | None]],
        "first": float | None,
        "clock known": bool,
        "notes": list[str],
    },
)


@dataclass(frozen=True, slots=True)
class Cut:
    """What one cut came to.

    `lost` are readings that the scanner had told and the record has not, `back` is the time from
    the start of the service to the end of the first scan that was kept, s, and `wrong` says what
    may not be.
    """

    lost: int
    back: float
    wrong: tuple[str, ...]


def told(rig: Guest) -> Told:
    """All that is asked of the record."""
    said: Told = json.loads(rig.ask(f"{PYTHON} -m guest.kept /var/lib/longsoak/record"))
    return said


def kept(said: Told) -> list[float]:
    """What the record holds of the scanner, in the order kept."""
    return [value for value in said["values"]["wood"] if value is not None]


def more_is_kept(rig: Guest, than: int) -> Told:
    """What the record holds, once that is more of the scanner than so many values."""
    found: list[Told] = []

    def more() -> bool:
        found[:] = [told(rig)]
        return len(kept(found[0])) > than

    wait_for(more, what="more scans in the record", limit=ANSWER)
    return found[0]


def cut_power(rig: Guest, chance: random.Random) -> Cut:
    """Cut it at some moment, switch it on again, and compare."""
    first = told(rig)
    before = kept(first)
    sleep(chance.uniform(2, 8))  # whatever it does just then
    rig.cut_power()
    cut, answered = monotonic(), list(rig.scanner.told)
    rig.switch_on()
    rig.plug()
    audit = rig.ask(f"/opt/longsoak/bin/longsoak audit {RIG}")
    now = more_is_kept(rig, len(before) + 1)
    after = kept(now)
    missing = [(at, one) for at, one in answered if one > before[-1] and one not in after]
    wrong = {
        "what had been kept is gone or altered": after[: len(before)] != before,
        "a reading is there twice, or out of its order": after != sorted(set(after)),
        "a reading of long before the cut is missing": any(at < cut - SETTLED for at, _ in missing),
        "more is missing than the scan under way": len(missing) > 1,
        f"longsoak audit: {audit}": "whole" not in audit,
    }
    return Cut(len(missing), _back(rig, now), tuple(says for says, so in wrong.items() if so))


def _back(rig: Guest, now: Told) -> float:
    started = rig.ask("systemctl show longsoak -p ExecMainStartTimestampMonotonic --value")
    assert now["first"] is not None
    return now["first"] - int(started) / 1e6
