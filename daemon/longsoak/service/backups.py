"""The daily backup: when it is due, made by a process of its own, and what is told of it."""

import json
import logging
import os
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from longsoak.core.wording import age_words, with_noun
from longsoak.service.clock import Clock
from longsoak.service.messages import BackupNews
from longsoak.store.backuptimes import BackupTimes
from longsoak.vocabulary.destinations import Backup
from longsoak.vocabulary.errors import StoreError

_log = logging.getLogger(__name__)

FIRST_LOOK, LOOK = 1.0, 30.0  # s from the start, and between two looks whether one is due
RETRY = 3600.0  # s after one that failed
LONGEST = 6 * 3600.0  # s one may take
TOO_OLD = 3 * 86_400.0  # s
DAY = 86_400.0  # s
WITHOUT_CLOCK = 3600.0  # s to wait for the clock before the first one is made without it
_STOP = 5.0  # s it has to clear up when the process stops
_DAY_MS = 86_400_000
_LONGEST_WORDS = 600  # characters of what it says


def is_due(*, at: int, made_ms: int | None, utc_ms: int) -> bool:
    """Whether the time of day for a backup has come since the last one was made.

    So one that fell into a time when nothing ran is due at once.

    Parameters
    ----------
    at : int
        The time of day, min after midnight UTC.
    made_ms : int or None
        When the last one was made, UTC ms; None if never.
    utc_ms : int
        Now.
    """
    at_ms = at * 60_000
    latest = (utc_ms - at_ms) // _DAY_MS * _DAY_MS + at_ms
    # One from the future was made by a clock that has been set back since.
    return made_ms is None or made_ms > utc_ms or made_ms < latest


class BackupKeeper(threading.Thread):
    """Has a backup made whenever one is due; the measuring process only waits for it.

    Parameters
    ----------
    plan : Backup
        As the rig file has it.
    rig_file, folder : Path
        Its path, and the record's folder.
    clock : Clock
        Tells the time of day once it is synchronised; without, a day is counted from the start.
    stop : threading.Event
        Set when the process stops; one under way is ended then, and due again at the next start.
    put : callable
        Takes what is to be told.
    """

    def __init__(
        self,
        plan: Backup,
        *,
        rig_file: Path,
        folder: Path,
        clock: Clock,
        stop: threading.Event,
        put: Callable[[BackupNews], None],
    ) -> None:
        super().__init__(name="backup", daemon=True)
        self._plan = plan
        self._rig_file = rig_file.absolute()
        self._times = BackupTimes(folder)
        self._clock = clock
        self._stopping = stop
        self._put = put
        self._trouble: str | None = None
        self._made_ms: int | None = None
        self._since = self._next = clock.monotonic()
        self._without_clock = self._since + WITHOUT_CLOCK

    def run(self) -> None:
        """Look again and again until stopped."""
        if self._stopping.wait(FIRST_LOOK):
            return
        known = False
        while True:
            try:
                if not known:
                    self._made_ms, self._trouble = (
                        self._times.last_made(),
                        self._times.last_failure(),
                    )
                    self._put(BackupNews(self._trouble, None))
                    known = True
                self._look()
            except StoreError as error:  # a disk that can't be read is told by whoever records
                _log.debug("%s", error)
            if self._stopping.wait(LOOK):
                return

    def _look(self) -> None:
        now = self._clock.monotonic()
        if self._is_due(now) and now >= self._next:
            self._attempt(now)
        elif self._trouble is None and (says := self._too_old(now)) is not None:
            self._trouble = says
            self._put(BackupNews(says, says))

    def _is_due(self, now: float) -> bool:
        if not self._clock.synchronised():
            return now >= self._without_clock
        return is_due(at=self._plan.at, made_ms=self._made_ms, utc_ms=self._clock.utc_ms())

    def _too_old(self, now: float) -> str | None:
        old = now - self._since
        if self._made_ms is not None and self._clock.synchronised():
            old = (self._clock.utc_ms() - self._made_ms) / 1000
        return f"no backup was made for {age_words(old)}" if old > TOO_OLD else None

    def _attempt(self, now: float) -> None:
        try:
            wrong, says = self._made()
        except (OSError, ValueError) as error:  # no memory for a process, or it said nonsense
            wrong, says = _short(f"it could not be started, or told nothing: {error}")
        if self._stopping.is_set():
            return
        if wrong is None:
            self._made_ms, self._since = self._clock.utc_ms(), now
            self._without_clock = now + DAY
        else:
            self._next = self._clock.monotonic() + RETRY
        news = says if wrong is None or wrong != self._trouble else None  # not every hour
        self._trouble = wrong
        self._put(BackupNews(wrong, news))

    def _made(self) -> tuple[str | None, str]:
        """Have one made; return why it could not be, if so, and what is to be told."""
        import subprocess  # only where there is a backup to make

        words = [str(self._rig_file), self._plan.to, "--keep", str(self._plan.keep), "--json"]
        words += ["--mounted"] if self._plan.mounted else []
        # A process of its own: its memory is given back, and measuring shares no lock with it.
        process = subprocess.Popen(  # noqa: S603 - our own program, and words of the rig file
            [sys.executable, "-m", "longsoak.cli.backup", *words],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        with suppress(OSError):  # it may have ended already
            os.setpriority(os.PRIO_PROCESS, process.pid, 19)
        began = self._clock.monotonic()
        while True:
            try:
                said, complained = process.communicate(timeout=0.5)
                break
            except subprocess.TimeoutExpired:
                late = self._clock.monotonic() - began > LONGEST
                if late or self._stopping.is_set():
                    process.terminate()
                    try:
                        process.communicate(timeout=_STOP)
                    except subprocess.TimeoutExpired:
                        process.kill()  # a stick that hangs may hold on to it all the same
                    return _short(f"it was not done after {age_words(LONGEST)}, and was ended")
        if process.returncode == 0:
            return None, _words(said)
        lines = complained.strip().splitlines()
        return _short(lines[-1] if lines else f"it ended with {process.returncode}")


def _short(says: str) -> tuple[str, str]:
    says = "".join(letter if letter.isprintable() else " " for letter in says)[:_LONGEST_WORDS]
    return says, says


def _words(said: str) -> str:
    """What it printed, as one sentence."""
    made = json.loads(said)
    until = f" until {made['until']}" if made["until"] else ""
    words = f"{made['backup']}: {with_noun(made['scans'], 'scan')}{until}"
    return "; ".join([words, *(caution.rstrip(".") for caution in made["cautions"])])
