"""Runs in the guest: takes shell commands from the second serial port, and answers what they said.

A line of JSON each way: a number and the command; the number, the exit code and the output.
"""

import json
import subprocess
import tty
from pathlib import Path

PORT = Path("/dev/ttyS1")
LONGEST = 280  # s


def answer(line: bytes) -> bytes:
    """Run one command."""
    asked = json.loads(line)
    try:
        done = subprocess.run(
            ["/bin/sh", "-c", asked["run"]],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            timeout=LONGEST,
            check=False,
        )
        code, says = done.returncode, done.stdout.decode(errors="replace")
    except subprocess.TimeoutExpired as error:
        code, says = 124, (error.stdout or b"").decode(errors="replace")
    return json.dumps({"number": asked["number"], "code": code, "says": says}).encode() + b"\n"


def main() -> None:
    """Answer for ever."""
    with PORT.open("r+b", buffering=0) as port:
        tty.setraw(port.fileno())
        waiting = b""
        while True:
            waiting += port.read(4096)
            *lines, waiting = waiting.split(b"\n")
            for line in lines:
                try:
                    said = answer(line)
                except ValueError:  # the rest of a line that was cut off
                    continue
                while said:
                    said = said[port.write(said) :]


if __name__ == "__main__":
    main()
