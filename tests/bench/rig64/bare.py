"""The peer: the same questions and answers in a bare loop, with nothing done about them.

``python -m bench.rig64.bare FOLDER SECONDS EVERY`` asks all sixty-four every so many seconds
through pyserial and the files. It prints its processor time in s.
"""

import sys
import threading
import time
from pathlib import Path

import serial

from bench.rig64.layout import EACH, ports
from fuzz.oracles import crc16
from whole.thermorig import rom

folder, seconds, every = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
port = ports(folder)
lines = serial.Serial(str(port["lines"]), 115200, timeout=1)
modbus = serial.Serial(str(port["modbus"]), 19200, timeout=1)
converter = folder / "iio" / "iio:device0"
requests = []
for n in range(EACH):
    body = bytes([1, 4, 0, n, 0, 1])
    requests.append(body + crc16(body))
never = threading.Event()


def look() -> None:
    """Ask everything once."""
    for n in range(EACH):
        lines.write(b"?P%d\n" % n)
        assert lines.read_until(b"\n").endswith(b"\n")
    for request in requests:
        modbus.write(request)
        assert len(modbus.read(7)) == 7
    for n in range(EACH):
        assert (folder / "w1" / rom(n) / "w1_slave").read_bytes()
    for n in range(EACH):
        assert (converter / f"in_voltage{n}_raw").read_bytes()
        assert (converter / "in_voltage_scale").read_bytes()


look()
begin, busy = time.monotonic(), time.process_time()
for turn in range(every, seconds + 1, every):
    never.wait(max(0.0, begin + turn - time.monotonic()))
    look()
sys.stdout.write(f"{time.process_time() - busy}\n")
