"""Starts `faults.child`, hears what it acknowledges, and ends it."""

import os
import subprocess
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from faults.child import AFRESH, NUMBER, REFUSED

_TESTS = Path(__file__).parents[1]
LONGEST = 60.0  # s without any word after which a child counts as hung


@dataclass(slots=True)
class Heard:
    """What came through the pipe: the last scan acknowledged, and how often the disk refused.

    `left` is the last scan acknowledged of each record that was set aside.
    """

    acknowledged: int = 0
    left: list[int] = field(default_factory=list)
    refused: int = 0
    _rest: bytes = field(default=b"", repr=False)

    def take(self, data: bytes) -> None:
        """Take bytes as they come."""
        data = self._rest + data
        whole = len(data) - len(data) % NUMBER.size
        self._rest = data[whole:]
        for (number,) in NUMBER.iter_unpack(data[:whole]):
            if number == REFUSED:
                self.refused += 1
            elif number == AFRESH:
                self.left.append(self.acknowledged)
                self.acknowledged = 0
            else:
                self.acknowledged = number


class Victim:
    """A child at work on the record in `folder`.

    Parameters
    ----------
    folder : Path
        The record's.
    seed, run : int
        Which scans it writes, and how often the record was opened before.
    arguments : tuple of str
        More of the child's arguments.
    environment : mapping
        Of `faults.preload`, say.
    """

    def __init__(
        self,
        folder: Path,
        *,
        seed: int,
        run: int,
        arguments: tuple[str, ...] = (),
        environment: Mapping[str, str] | None = None,
    ) -> None:
        self.heard = Heard()
        command = [sys.executable, "-m", "faults.child", os.fspath(folder)]
        self._process = subprocess.Popen(
            [*command, "--seed", str(seed), "--run", str(run), *arguments],
            cwd=_TESTS,
            env={**os.environ, **(environment or {})},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert self._process.stdout is not None
        self._pipe = self._process.stdout.fileno()
        os.set_blocking(self._pipe, False)
        self.said = ""

    @property
    def pid(self) -> int:
        """Its number."""
        return self._process.pid

    def listen(self, seconds: float) -> bool:
        """Listen for a while; false as soon as it has ended."""
        until = time.monotonic() + seconds
        while True:
            ended = self._process.poll() is not None
            self._drain()
            if ended:
                return False
            left = until - time.monotonic()
            if left <= 0:
                return True
            time.sleep(min(left, 0.002))

    def listen_until_it_wrote(self, scans: int = 1) -> bool:
        """Listen until so many more scans are acknowledged; false if it ended before."""
        heard = self.heard
        before, afresh = heard.acknowledged, len(heard.left)

        def wrote() -> bool:
            return heard.acknowledged >= (before if len(heard.left) == afresh else 0) + scans

        until = time.monotonic() + LONGEST
        while not wrote():
            if not self.listen(0.002):
                return wrote()
            assert time.monotonic() < until, f"nothing was written for {LONGEST:g} s"
        return True

    def end(self) -> int:
        """Wait until it has ended by itself; return its exit code."""
        until = time.monotonic() + LONGEST
        while self.listen(0.01):
            assert time.monotonic() < until, f"it has not ended within {LONGEST:g} s"
        return self._finish()

    def kill(self) -> int:
        """Kill -9; return its exit code, which is another if it had ended before."""
        self._process.kill()
        return self._finish()

    def _finish(self) -> int:
        code = self._process.wait()
        self._drain()
        assert self._process.stderr is not None
        self.said = self._process.stderr.read().decode(errors="replace")
        self._process.stderr.close()
        assert self._process.stdout is not None
        self._process.stdout.close()
        return code

    def _drain(self) -> None:
        while True:
            try:
                data = os.read(self._pipe, 65536)
            except BlockingIOError:
                return
            if not data:
                return
            self.heard.take(data)
