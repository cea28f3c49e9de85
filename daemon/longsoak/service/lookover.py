"""The chore that has the record looked over for damage, by a process of its own."""

import subprocess
import sys
from collections.abc import Sequence
from math import inf
from pathlib import Path

from longsoak.store.aside import DamageError, takes_a_file
from longsoak.store.soundness import Verdict
from longsoak.vocabulary.happening import Event

FIRST = 900.0  # s after the start: a power cut is what damages most
LEAST, MOST = 12 * 3600.0, 26 * 3600.0  # s between two looks
HOUR = 3  # UTC, of the night
AGAIN = 2.0  # s until what was found is looked at once more
NOT_SOONER = 60.0  # s between two looks that somebody asked for
LOOK = 1.0  # s between two thoughts of it, and of whether a look has ended
LONGEST = 4 * 3600.0  # s one look may take
_DAY_MS = 86_400_000


class LookOver:
    """Looks every night, or once a day where the clock is wrong; once a week at indexes too.

    It needs no clock that is right: a rig without a network would else never be looked at. What is
    found is looked at a second time before it counts.

    Parameters
    ----------
    folder : Path
        The record's.
    first, again : float
        Seconds from the start to the first look, and from one that found something to the next.
    """

    name = "look over"

    def __init__(self, folder: Path, *, first: float = FIRST, again: float = AGAIN) -> None:
        self._folder = folder
        self._first = first
        self._again = again
        self._due: float | None = None  # monotonic
        self._last: float | None = None
        self._process: subprocess.Popen[str] | None = None
        self._began = 0.0
        self._whole = False
        self._suspected = False
        self._asked = False

    def suspect(self) -> None:
        """Have it looked over soon: reading it failed somewhere."""
        self._asked = True

    def close(self) -> None:
        """End a look that is under way."""
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
            self._process = None

    def do(self, *, now: float, utc_ms: int) -> tuple[float, Sequence[Event]]:
        """Begin a look that is due, or see what one has found.

        Raises
        ------
        DamageError
            The record is damaged: two looks have found it so.
        """
        if self._process is not None:
            return self._result(self._process, now=now, utc_ms=utc_ms)
        if self._due is None:
            self._due = now + self._first
        if not self._is_due(now, utc_ms):
            return LOOK, ()
        asked, self._asked = self._asked, False
        if not self._suspected:
            self._whole = (
                asked or (utc_ms // _DAY_MS + 3) % 7 == 6
            )  # 1970-01-01 was a Thursday; on Sundays
        command = [sys.executable, "-m", "longsoak.store.soundness", str(self._folder)]
        self._began = self._last = now
        try:
            self._process = subprocess.Popen(  # noqa: S603 - our own module
                [*command, "whole"] if self._whole else command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
            )
        except OSError as error:  # Python may lie on the card that has died
            self._due = now + MOST
            words = f"the record could not be looked over: {error.strerror}"
            return LOOK, [Event(utc_ms, "check", "record", words)]
        return LOOK, ()

    def _is_due(self, now: float, utc_ms: int) -> bool:
        if self._due is not None and now >= self._due:
            return True
        if self._suspected:
            return False
        since = inf if self._last is None else now - self._last
        if self._asked:
            return since >= NOT_SOONER
        if self._last is None:
            return False
        return since >= LEAST and utc_ms % _DAY_MS // 3_600_000 == HOUR

    def _result(
        self, process: "subprocess.Popen[str]", *, now: float, utc_ms: int
    ) -> tuple[float, Sequence[Event]]:
        if process.poll() is None and now - self._began < LONGEST:
            return LOOK, ()
        process.kill()  # nothing, if it has ended by itself
        says = process.communicate()[0].strip()[-300:]
        self._process = None
        self._due = now + MOST
        found = {int(verdict): verdict for verdict in Verdict}.get(process.returncode)
        if found is Verdict.WHOLE:
            self._suspected = False
            how = " and all indexes agree" if self._whole else ""
            words = f"the record was looked over and is whole{how}"
            return 0.0, [Event(utc_ms, "check", "record", words)]
        if found is Verdict.DAMAGED or (found is Verdict.UNREADABLE and takes_a_file(self._folder)):
            if self._suspected:
                self._suspected = False
                raise DamageError(says)
            self._suspected = True
            self._due = now + self._again
            seems = "seems to be damaged" if found is Verdict.DAMAGED else "can't be read"
            words = f"the record {seems}, and is looked at once more: {says}"
            return self._again, [Event(utc_ms, "check", "record", words)]
        self._suspected = False
        why = says or "it took too long"
        words = f"the record could not be looked over: {why}"
        return 0.0, [Event(utc_ms, "check", "record", words)]
