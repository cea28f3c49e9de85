"""Running the commands as a user would, and waiting on what they do."""

import os
import pty
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
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


END_OF_INPUT = "\x04"  # Ctrl-D


def at_a_terminal(
    line: str, *, folder: Path, typed: Sequence[str] = (END_OF_INPUT,), limit: float = 120
) -> tuple[int, str]:
    """Run a line of a shell to its end on a terminal; return its exit code and what it showed.

    Each line of `typed` is typed at a prompt, a moment after the last one, as a person does it:
    what is typed ahead of a password is thrown away.
    """
    ours, theirs = pty.openpty()
    surroundings = {**os.environ, "PATH": f"{COMMAND.parent}:{os.environ['PATH']}"}
    with subprocess.Popen(
        ["setsid", "--ctty", "--wait", "sh", "-c", line],
        cwd=folder,
        env=surroundings,
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
    ) as process:
        os.close(theirs)
        shown, waiting, ends = b"", list(typed), time.monotonic() + limit
        typed_at, seen = time.monotonic(), 0
        try:
            while time.monotonic() < ends:
                if select.select([ours], [], [], 0.05)[0]:
                    try:
                        shown += os.read(ours, 65536)
                    except OSError:  # the other end was closed: it has ended
                        break
                asks = len(shown) > seen and not shown.endswith(b"\n")
                if waiting and asks and time.monotonic() > typed_at + 0.3:
                    word = waiting.pop(0)
                    os.write(ours, word.encode() if word == END_OF_INPUT else f"{word}\n".encode())
                    typed_at, seen = time.monotonic(), len(shown)
            code = process.wait(10)
        finally:
            process.kill()
            os.close(ours)
    return code, shown.decode(errors="replace").replace("\r\n", "\n")


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
