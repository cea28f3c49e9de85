"""The guest's rig: a temperature chip on the board, and a scanner on a USB serial port."""

RIG_TEXT = """\
[rig]
name = "guest"
invented = true

[specimen]
height = 420
width = 600
underside = 110
edges = { top = "sealed", bottom = "open", left = "guarded", right = "guarded" }
between_bays = []

[[bays]]
name = "panel"
from = 0
to = 600
layers = [{ name = "panel", material = "timber", thickness = 180 }]

[[buses]]
name = "board"
driver = "hwmon"

[[buses]]
name = "scanner"
driver = "lines"
port = "/dev/ttyUSB0"
timeout = 5

[[probes]]
name = "air"
kind = "temperature"
bay = "panel"
depth = 90
height = 50
bus = "board"
every = 3
address = { chip = "lm75", channel = "temp1" }

[[probes]]
name = "wood"
kind = "temperature"
bay = "panel"
depth = 90
height = 100
bus = "scanner"
every = 3
address = { name = "P1" }

[heartbeat]
url_file = "credential:heartbeat"
"""
