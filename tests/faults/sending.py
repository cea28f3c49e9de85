"""Starts `faults.sender`, kills it and what it sends to at random, and lets it come to rest."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from random import Random
from typing import Protocol

_TESTS = Path(__file__).parents[1]
CATCHES_UP = 120.0  # s that catching up may take once nobody is killed any more


class Server(Protocol):
    """What can be killed and started again."""

    def start(self) -> None: ...

    def kill(self) -> None: ...


class Sending:
    """A sender at work on the record in `folder`."""

    def __init__(self, folder: Path, settings: Mapping[str, object], *, backlog: int = 0) -> None:
        self._command = [
            *(sys.executable, "-m", "faults.sender", os.fspath(folder)),
            *("--settings", json.dumps(settings), "--backlog", str(backlog)),
            *("--enough", os.fspath(folder.parent / "enough")),
        ]
        self._enough = folder.parent / "enough"
        self._log = folder.parent / "sender.log"
        self.start()

    def start(self) -> None:
        """Start it, or start it again."""
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(self._command, cwd=_TESTS, stderr=log)

    def kill(self) -> None:
        """Kill -9."""
        self._process.kill()
        assert self._process.wait() == -signal.SIGKILL, self.said()[-2000:]

    def write_no_more(self) -> None:
        """From now on it only sends, even if it has just been started and can't hear yet."""
        self._enough.touch()

    def said(self) -> str:
        """All it has said."""
        return self._log.read_text()


def kill_at_random(
    server: Server, sending: Sending, *, seconds: float, chance: Random
) -> tuple[int, int]:
    """Kill the server, and at times the sender, and start them again; return how often each."""
    servers = senders = 0
    until = time.monotonic() + seconds
    while (left := until - time.monotonic()) > 0:
        # Most servers die before they have put on disk what they acknowledged.
        time.sleep(min(left, chance.choice((chance.uniform(0.1, 2), chance.uniform(2, 12)))))
        server.kill()
        servers += 1
        if chance.random() < 0.3:
            sending.kill()
            senders += 1
            sending.start()
        time.sleep(chance.choice((0.0, chance.uniform(0, 3))))
        server.start()
    return servers, senders


def come_to_rest(look: Callable[[], list[str]], *, patience: float = CATCHES_UP) -> list[str]:
    """What `look` finds missing, once that is nothing or `patience`, s, is over."""
    until = time.monotonic() + patience
    while (missing := look()) and time.monotonic() < until:
        time.sleep(0.5)
    return missing
