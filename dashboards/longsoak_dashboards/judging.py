"""Judging limits in a process of its own: it needs numpy, which the pages do without.

One at a time, and not again before something new may have come of it.
"""

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Lock, Thread

_COMMAND = "from longsoak.cli.main import main; main()"
_LONGEST_S = 300.0
_KEPT_MS = 600_000  # what was judged holds for so long while readings come in
_JUDGED = (0, 1)  # exit codes: 1 tells of a broken limit
_LAST_WORDS = 300  # characters of what went wrong
_GENTLY = ("nice", "-n", "10")  # measuring goes first


@dataclass(frozen=True, slots=True)
class Judged:
    """What came of judging: verdicts as documents, or why there are none.

    `at_ms` is when it was asked, UTC; `asked` what the record looked like.
    """

    at_ms: int
    asked: object
    documents: tuple[dict[str, object], ...] = ()
    trouble: str = ""


class Judging:
    """Judges the limits of one rig file when somebody looks.

    Parameters
    ----------
    rig_file : Path
        With its record beside it.
    """

    def __init__(self, rig_file: Path) -> None:
        self._rig_file = rig_file
        self._lock = Lock()
        self._process: subprocess.Popen[str] | None = None
        self._known: Judged | None = None
        self._under_way = False
        self._over = False

    def look(self, asked: object, *, now_ms: int) -> tuple[Judged | None, bool]:
        """What is known, and whether it is being judged anew.

        Parameters
        ----------
        asked : object
            What tells states of the record apart in which verdicts may differ at once, such as
            by a phase that was begun. Readings that come in make what is known old with time.
        now_ms : int
            UTC now.
        """
        with self._lock:
            known = self._known
            old = known is None or known.asked != asked or now_ms - known.at_ms > _KEPT_MS
            if old and not self._under_way and not self._over:
                self._under_way = True
                Thread(target=self._judge, args=(asked, now_ms), name="judging").start()
            return known, self._under_way

    def close(self) -> None:
        """End what is under way: the pages are told to stop."""
        with self._lock:
            self._over = True
            if self._process is not None:
                self._process.kill()

    def _judge(self, asked: object, now_ms: int) -> None:
        found = Judged(now_ms, asked, trouble="The limits could not be judged.")
        try:
            found = self._run(asked, now_ms)
        finally:
            with self._lock:
                self._known, self._under_way, self._process = found, False, None

    def _run(self, asked: object, now_ms: int) -> Judged:
        command = (*_GENTLY, sys.executable, "-c", _COMMAND, "findings", "--json", self._rig_file)
        try:
            process = subprocess.Popen(  # noqa: S603 - our own command
                command,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                stdin=subprocess.DEVNULL,
                encoding="utf-8",
            )
        except OSError as error:
            return Judged(now_ms, asked, trouble=f"No process could be started: {error.strerror}.")
        with self._lock:
            self._process = process
            if self._over:
                process.kill()
        try:
            out, wrong = process.communicate(timeout=_LONGEST_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
            return Judged(now_ms, asked, trouble="It took too long. `longsoak findings` tells.")
        if process.returncode not in _JUDGED:
            return Judged(now_ms, asked, trouble=_told(wrong))
        return Judged(now_ms, asked, tuple(_documents(out)))


def _documents(out: str) -> Sequence[dict[str, object]]:
    documents: Sequence[dict[str, object]] = json.loads(out)
    return documents


def _told(wrong: str) -> str:
    """The last line of what went wrong, as the command says it."""
    lines = [line for line in wrong.splitlines() if line.strip()]
    return lines[-1][:_LAST_WORDS] if lines else "It ended without a word."
