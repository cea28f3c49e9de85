"""Judging limits in a process of its own: it needs numpy, which the pages do without.

One at a time, and not again before something new may have come of it.
"""

import json
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Lock, Thread, Timer
from typing import IO, cast

_LONGEST_S = 600.0
_KEPT_MS = 1_800_000  # what was judged holds for so long while readings come in
_LAST_WORDS = 300  # characters of what went wrong
_GENTLY = ("nice", "-n", "10")  # measuring goes first

Document = dict[str, object]


@dataclass(frozen=True, slots=True)
class Judged:
    """What came of judging: verdicts as documents, or why there are none.

    `at_ms` is when it was asked, UTC; `asked` what the record looked like. `sections` are all other
    results, which take longer: none until they are there.
    """

    at_ms: int
    asked: object
    documents: tuple[Document, ...] = ()
    sections: tuple[Document, ...] = ()
    trouble: str = ""


class Judging:
    """Judges the limits of one record when somebody looks, and works out all other results.

    Parameters
    ----------
    folder : Path
        The record's.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
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
        program = (sys.executable, "-m", "longsoak.report.shown", self._folder, str(now_ms))
        try:
            process = subprocess.Popen(  # noqa: S603 - our own command
                (*_GENTLY, *program),
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
        late = Timer(_LONGEST_S, process.kill)
        late.start()
        try:
            with process:
                return self._read(process, asked, now_ms)
        finally:
            late.cancel()

    def _read(self, process: "subprocess.Popen[str]", asked: object, now_ms: int) -> Judged:
        """Verdicts are shown as soon as they are there, with the sections of before."""
        found: Judged | None = None
        out, wrong = cast("IO[str]", process.stdout), cast("IO[str]", process.stderr)
        if verdicts := out.readline():
            with self._lock:
                before = () if self._known is None else self._known.sections
                found = Judged(now_ms, asked, _documents(verdicts), before)
                self._known = found
        # Not by `communicate`, which knows nothing of what came with the first line.
        rest, says = out.read(), wrong.read()
        ended = process.wait()
        if found is not None and ended == 0:
            return replace(found, sections=_documents(rest))
        if ended < 0:
            return Judged(now_ms, asked, trouble="It took too long. `longsoak findings` tells.")
        return Judged(now_ms, asked, trouble=_told(says))


def _documents(line: str) -> tuple[Document, ...]:
    return tuple(json.loads(line))


def _told(wrong: str) -> str:
    """The last line of what went wrong, as the command says it."""
    lines = [line for line in wrong.splitlines() if line.strip()]
    return lines[-1][:_LAST_WORDS] if lines else "It ended without a word."
