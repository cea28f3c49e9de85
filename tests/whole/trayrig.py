"""A panel over a tray, on a front end at a pty whose wires a test moves while it is polled."""

from collections.abc import Callable, Iterable
from functools import reduce
from operator import xor

HEAD = """
[rig]
name = "{name}"
invented = true

[specimen]
height = 420
width = 600
underside = 120
edges = {{ top = "sealed", bottom = "open", left = "guarded", right = "guarded" }}
between_bays = []

[[bays]]
name = "panel"
from = 0
to = 600
layers = [{{ name = "panel", material = "timber", thickness = 180 }}]

[reservoir]
name = "tray"
level = "water level"
float = "high float"
depth_table = [[0, 0], [150, {litres}]]
length = 1200
breadth = 340
rim = 150
stop = 100
pump_needs = 25
"""


def head(name: str, *, litres: float) -> str:
    """A rig file without buses and probes; the tray holds so many litres at 150 mm."""
    return HEAD.format(name=name, litres=litres)


def front_end(says: dict[str, str]) -> Callable[[bytes], Iterable[bytes | float]]:
    """Answers each question by what `says` holds of it at that moment."""

    def answer(question: bytes) -> Iterable[bytes | float]:
        name = question.decode().strip().lstrip("?").partition("*")[0]
        text = f"{name},{says[name]}".encode()
        yield b"%s*%02X\r\n" % (text, reduce(xor, text))

    return answer
