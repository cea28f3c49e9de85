"""Two pairs, a thermometer, a level and a float to walk along, on wires that a test moves."""

from pathlib import Path

from drivers.ptys import Device
from longsoak.store.files import folder_of
from longsoak.store.reader import Record
from longsoak.vocabulary.proof import ProofEntry, Step
from whole.trayrig import front_end, head

OPEN = "9.9e37,Ohm"
RIG = """
[[buses]]
name = "front end"
driver = "lines"
port = "{port}"

[[probes]]
name = "A"
kind = "pins"
bay = "panel"
depth = 30
height = 60
every = 0.2
curve = "Douglas-fir (coast)"
temperature = "T"
bus = "front end"
address = {{ name = "A" }}

[[probes]]
name = "B"
kind = "pins"
bay = "panel"
depth = 90
height = 60
every = 0.2
curve = "Douglas-fir (coast)"
temperature = "T"
bus = "front end"
address = {{ name = "B" }}

[[probes]]
name = "T"
kind = "temperature"
bay = "panel"
depth = 90
height = 80
every = 0.2
bus = "front end"
address = {{ name = "T" }}

[[probes]]
name = "water level"
kind = "level"
every = 0.2
bus = "front end"
address = {{ name = "level" }}

[[probes]]
name = "high float"
kind = "float"
trips_at = 105
every = 0.2
bus = "front end"
address = {{ name = "float" }}
"""


class Bench:
    """The rig file, what its wires say at this moment, and what was kept of proofs."""

    def __init__(self, folder: Path) -> None:
        self.says = {"A": OPEN, "B": OPEN, "T": "20.5,Cel", "level": "0.2,mm", "float": "0,1"}
        self.device = Device(folder / "front-end", front_end(self.says))
        self.rig_file = folder / "rig.toml"
        self.rig_file.write_text(head("walked", litres=60) + RIG.format(port=self.device.path))

    @property
    def entries(self) -> list[ProofEntry]:
        return Record(folder_of(self.rig_file)).proof_entries()

    def newest(self, step: Step, subject: str) -> ProofEntry:
        return [e for e in self.entries if (e.step, e.subject) == (step, subject)][-1]
