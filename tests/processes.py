"""Running the commands as a user would, and waiting on what they do."""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from waiting import LIMIT, wait_for

COMMAND = Path(sys.executable).parent / "longsoak"


def longsoak(*arguments: str | Path, **more: str) -> subprocess.CompletedProcess[str]:
    """Run one command to its end."""
    return subprocess.run(
        [COMMAND, *arguments],
        capture_output=True,
        text=True,
        timeout=60,
        env={**os.environ, **more},
        check=False,
    )


class Running:
    """A `longsoak run` under way; its log comes through a pipe, for a full disk takes no file.

    With `program`, Python that runs it in some other way.
    """

    def __init__(self, rig_file: Path, *, program: str | None = None) -> None:
        started = [COMMAND, "run"] if program is None else [sys.executable, "-c", program]
        self.process = subprocess.Popen(
            [*started, rig_file], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        self._lines: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    @property
    def log(self) -> str:
        """What it has written so far."""
        return "".join(self._lines)

    def _read(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as pipe:
            for line in pipe:
                self._lines.append(line)

    def says(self, words: str, *, limit: float = LIMIT) -> None:
        """Wait until the log holds `words`."""
        wait_for(lambda: words in self.log, what=f"{words!r} in the log:\n{self.log}", limit=limit)

    def kill(self) -> None:
        """End it as a power cut would."""
        self.process.kill()
        self.process.wait(10)
        self._reader.join(10)

    def stop(self) -> int:
        """End it as systemd would; return its exit code."""
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(30)
        self._reader.join(10)
        return code


@contextmanager
def running(rig_file: Path, *, program: str | None = None) -> Iterator[Running]:
    """A `longsoak run` for the length of a block; killed if the block left it running."""
    process = Running(rig_file, program=program)
    try:
        yield process
    finally:
        if process.process.poll() is None:
            process.kill()
