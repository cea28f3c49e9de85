"""A tray at a pty that a test pours into, and the rig file of it."""

import time
from pathlib import Path

from drivers.ptys import Device
from whole.trayrig import front_end, head

RIG = """
[[buses]]
name = "tray"
driver = "lines"
port = "{port}"

[[probes]]
name = "water level"
kind = "level"
every = 5
record = 60
bus = "tray"
address = {{ name = "level" }}

[[probes]]
name = "high float"
kind = "float"
trips_at = 105
every = 1
record = 60
bus = "tray"
address = {{ name = "float" }}

[[probes]]
name = "service button"
kind = "button"
bus = "tray"
address = {{ name = "button" }}
"""


class Tray:
    """A tray of 0.4 L a mm at a pty, whose level a test sets."""

    def __init__(self, folder: Path) -> None:
        self.says = {"level": "70,mm", "float": "0,1", "button": "0,1"}
        self.device = Device(folder / "front-end", front_end(self.says))
        self.rig_file = folder / "rig.toml"
        self.rig_file.write_text(head("poured", litres=60.0) + RIG.format(port=self.device.path))

    def pour(self, mm: float, *, upto: float) -> None:
        """Raise the level by so much each tenth of a second."""
        while self.level < upto:
            self.set(min(upto, self.level + mm))
            time.sleep(0.1)

    @property
    def level(self) -> float:
        """Where the water stands, mm."""
        return float(self.says["level"].partition(",")[0])

    def set(self, mm: float) -> None:
        """Let it stand somewhere else at once."""
        self.says["level"] = f"{mm:.2f},mm"
