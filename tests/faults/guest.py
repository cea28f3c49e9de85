"""Power cuts under the shipped units: a virtual machine whose disk writes back late is ended.

Its scanner lives outside of it and counts, so a reading that is lost leaves a hole.
"""

import os
import random
import shutil
from pathlib import Path

from faults.outcome import Outcome
from guest.machine import guest
from guest.powercuts import CUTS, Cut, cut_power, kept, more_is_kept, told
from guest.root import make_disk
from kernel.machine import MachineError

NAME = "guest"
BACK = 30.0  # s after its start within which the service has to have kept a scan
_NEEDED = ("qemu-system-x86_64", "qemu-img", "debootstrap")


def campaign(*, seed: int, short: bool) -> Outcome:
    """Cut, switch on, compare."""
    if short:
        return Outcome(NAME, "", 0, "", untried="a virtual machine has no short run")
    missing = [name for name in _NEEDED if shutil.which(name) is None]
    if missing or os.geteuid() != 0:
        return Outcome(
            NAME, "", 0, "", untried=f"{', '.join(missing) or 'root'} is needed: run.sh sets it up"
        )
    try:
        parts = make_disk()
    except MachineError as error:
        return Outcome(NAME, "", 0, "", untried=f"no machine could be made: {error}")
    try:
        cuts = _cuts(parts, random.Random(seed))  # noqa: S311 - when the power goes
    except (MachineError, TimeoutError, AssertionError) as error:
        return Outcome(NAME, f"{CUTS} power cuts", 1, f"It did not come back: {error}")
    wrong = [says for cut in cuts for says in cut.wrong]
    wrong += [f"it took {cut.back:.0f} s to come back" for cut in cuts if cut.back > BACK]
    took = f"a scan {max(cut.back for cut in cuts):.1f} s after the service's start at the latest"
    lost = f"scans under way that each took: {[cut.lost for cut in cuts]}"
    return Outcome(
        NAME,
        f"{CUTS} power cuts of a virtual machine, by pulling its plug",
        len(wrong),
        wrong[0] if wrong else f"It came back by itself each time, {took}; {lost}.",
    )


def _cuts(parts: tuple[Path, Path, Path], chance: random.Random) -> list[Cut]:
    with guest(*parts) as rig:
        rig.switch_on()
        rig.plug()
        more_is_kept(rig, len(kept(told(rig))) + 1)
        return [cut_power(rig, chance) for _ in range(CUTS)]
