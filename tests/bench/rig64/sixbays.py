"""The sixty-four probes of the four buses in six bays of one specimen, and months of them."""

import re
from itertools import count
from pathlib import Path

from bench.longrecord import EVERY_MS, fill
from bench.rig64.layout import rig_text
from longsoak.rigfile.load import parse
from longsoak.store.files import folder_of

BAYS = 6
WIDE = 300  # mm of specimen for each
_HEAD = """
[rig]
name = "six bays"
invented = true
start = 2026-05-04

[specimen]
height = 420
width = {width}
underside = 110
edges = {{ top = "sealed", bottom = "open", left = "guarded", right = "guarded" }}
between_bays = {between}
{bays}
[reservoir]
name = "tray"
level = "{level}"
depth_table = [[0, 0], [150, 61.2]]
length = 1800
breadth = 340
rim = 150
stop = 100
pump_needs = 5

"""
_LEVEL = "modbus 15"
_BAY = """
[[bays]]
name = "bay {number}"
from = {start}
to = {end}
layers = [{{ name = "render", material = "lime", thickness = 60 }}, {{ name = "panel", \
material = "timber", thickness = 180 }}]
"""
_PLACE = re.compile(r'(name = ".*"\n)(kind = ".*"\n)bay = "panel"\ndepth = \d+\nheight = \d+\n')
_DEPTHS = (15, 45, 90, 150, 210)
_HEIGHTS = (60, 210, 360)


def six_bays(folder: Path, *, every: int) -> str:
    """The rig file of the hardware in `folder`, each probe asked every `every` seconds."""
    bays = "".join(
        _BAY.format(number=n + 1, start=n * WIDE, end=(n + 1) * WIDE) for n in range(BAYS)
    )
    between = ["sealed"] * (BAYS - 1)
    head = _HEAD.format(width=BAYS * WIDE, between=between, bays=bays, level=_LEVEL)
    plain = rig_text(folder, every=every)
    number = count()

    def placed(found: re.Match[str]) -> str:
        n = next(number)
        if f'"{_LEVEL}"' in found[1]:
            return f'{found[1]}kind = "level"\nper_unit = 1.0\n'
        grid = n // BAYS
        depth, height = _DEPTHS[grid % len(_DEPTHS)], _HEIGHTS[grid // len(_DEPTHS) % 3]
        place = f'bay = "bay {n % BAYS + 1}"\ndepth = {depth}\nheight = {height}\n'
        return f"{found[1]}{found[2]}{place}"

    rest = plain[plain.index("[[buses]]") :]
    return head + _PLACE.sub(placed, rest)


def recorded(rig_file: Path, text: str, *, scans: int, end_ms: int) -> tuple[str, ...]:
    """Write a rig file, and a record beside it with a scan a minute up to a time, UTC ms.

    Returns
    -------
    tuple of str
        The probes' names.
    """
    rig_file.parent.mkdir(parents=True, exist_ok=True)
    rig_file.write_text(text)
    names = tuple(probe.name for probe in parse(text, file=rig_file.name, find_kind=None).probes)
    start_ms = end_ms - scans * EVERY_MS
    fill(folder_of(rig_file), names=names, scans=scans, text=text, start_ms=start_ms)
    return names
