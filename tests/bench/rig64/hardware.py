"""The ports of the sixty-four probes, in a process of their own: ``python -m ... FOLDER``.

It notes in the file ``asked`` when the first question of each pass came, CLOCK_BOOTTIME in ms, and
ends when its input does.
"""

import sys
import time
from contextlib import ExitStack
from pathlib import Path

from bench.rig64.layout import ASKED, SILENT, ports
from drivers.ptys import plugged
from fuzz.oracles import crc16


def came(port: str) -> None:
    """Note that a pass began."""
    at = time.clock_gettime_ns(time.CLOCK_BOOTTIME) / 1e6
    asked.write(f"{port} {at:.3f}\n")
    asked.flush()


def line(question: bytes) -> list[bytes]:
    """A front end that measures any name."""
    if question == b"?P0":
        came("lines")
    body = question.lstrip(b"?") + b",412000,Ohm"
    total = 0
    for byte in body:
        total ^= byte
    return [body + f"*{total:02X}\n".encode()]


def frame(question: bytes) -> list[bytes]:
    """A device whose input registers all hold 641."""
    if question[2:4] == b"\0\0":
        came("modbus")
    body = question[:2] + b"\x02\x02\x81"
    return [body + crc16(body)]


def silence(_question: bytes) -> list[bytes]:
    """A device that is dead."""
    return []


folder = Path(sys.argv[1])
port = ports(folder)
with (folder / ASKED).open("w") as asked, ExitStack() as stack:
    stack.enter_context(plugged(port["lines"], line))
    stack.enter_context(plugged(port["modbus"], frame, end=8))
    stack.enter_context(plugged(port[SILENT], silence))
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    sys.stdin.read()
