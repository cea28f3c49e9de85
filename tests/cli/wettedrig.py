"""A rig whose record a simulated reservoir has filled: 16 days of level, pan and flow."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from cli.keeping import kept
from core.water import simulated
from core.water.simulated import DAY, Plan
from longsoak.service.waterkeeping import WaterKeeping
from longsoak.store.files import folder_of
from longsoak.store.writer import Batch
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.logbook import LogbookEntry
from longsoak.vocabulary.reading import Scan
from whole.trayrig import head

BUS = """
[[buses]]
name = "tray"
driver = "lines"
port = "{port}"

[[probes]]
name = "water level"
kind = "level"
bus = "tray"
address = {{ name = "level" }}
uncertainty = 0.5

[[probes]]
name = "high float"
kind = "float"
trips_at = 105
bus = "tray"
address = {{ name = "float" }}

[[probes]]
name = "flow"
kind = "flow"
runs_from = 0.3
bus = "tray"
address = {{ name = "flow" }}

[[probes]]
name = "pan level"
kind = "level"
bus = "tray"
address = {{ name = "pan" }}

[evaporation_pan]
level = "pan level"
diameter = 250
factor = 0.8
factor_uncertainty = 0.04
"""
PLAN = Plan(days=16, seed=6, pours=[(4.5, 6.0), (9.5, 12.0), (13.0, 4.0)], bales=[(10.2, 8.0)])


def lay_out(folder: Path, *, port: str = "/dev/null") -> Path:
    """A rig file of it."""
    drawn = "blocks = [{ count = 4, length = 60, breadth = 60, from = 0, to = 30 }]"
    text = head("wetted", litres=60.0).replace("depth_table = [[0, 0], [150, 60.0]]", drawn)
    text = text.replace("length = 1200\nbreadth = 340", "length = 1000\nbreadth = 400")
    rig_file = folder / "rig.toml"
    rig_file.write_text(text + BUS.format(port=port))
    return rig_file


def recorded(
    folder: Path, logbook: Callable[[int], list[LogbookEntry]] = lambda now_ms: []
) -> tuple[Path, simulated.Truth]:
    """A rig file with the plan's readings beside it, the last of them now, and their books.

    Of `logbook` come entries that were kept at the times they speak of, by when it is now.
    """
    rig_file, truth = lay_out(folder), simulated.Truth()
    probes = ("water level", "pan level", "flow")
    with kept(rig_file) as record:
        batch = Batch()
        for look in simulated.run(PLAN, truth):
            assert look is not None
            at = round((look.at - PLAN.days * DAY) * 1000)
            values = (look.level, look.pan, look.flow)
            batch.scans.append(
                Scan(
                    "tray",
                    record.now_ms + at,
                    10**10 + at,
                    True,
                    probes,
                    ("mm", "mm", "L/min"),
                    values,
                    values,
                    (0.5, 0.5, 0.1),
                    (Flag.PASS,) * 3,
                    (Reason.NONE,) * 3,
                )
            )
        batch.logbook += [
            replace(entry, kept_boottime_ms=10**10 + entry.kept_utc_ms - record.now_ms)
            for entry in logbook(record.now_ms)
        ]
        record.writer.commit(batch)
        chore = WaterKeeping(folder_of(rig_file), record.writer, record.rig)
        while not chore.do(now=0.0, utc_ms=5)[0]:
            pass
    return rig_file, truth
