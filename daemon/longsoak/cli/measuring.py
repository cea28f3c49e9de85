"""A `longsoak run` to walk along: one that is there already, or our own for the walk."""

import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import IO, NoReturn

from longsoak.store.files import INBOX, recording
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import StoreError

STARTS = 30.0  # s a measuring process may take until it takes requests
STOPS = 60.0  # s it may take to end: its outlets have a last attempt
_PAUSE = 0.1
_LAST_WORDS = 2000  # characters of its log that are told if it ends by itself


@contextmanager
def measuring(rig_file: Path, record: Record, *, wait: Callable[[float], object]) -> Iterator[bool]:
    """See to it that something measures; gives whether it was started for this.

    Raises
    ------
    StoreError
        It can't be seen whether one runs, or the one that was started ended or hangs.
    """
    if recording(record.folder):
        yield False
        return
    # Asked to end, or the terminal closed, we end the one we started; a signal would pass its
    # `finally` by otherwise.
    before = {asked: signal.signal(asked, _ended) for asked in (signal.SIGTERM, signal.SIGHUP)}
    try:
        with tempfile.TemporaryFile("w+") as log:
            program = "from longsoak.cli.main import main; main()"
            child = subprocess.Popen(  # noqa: S603  # our own program
                [sys.executable, "-c", program, "run", str(rig_file)],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
            )
            try:
                _until_it_takes_requests(child, record, log, wait)
                yield True
            finally:
                _end(child)
    finally:
        for asked, handler in before.items():
            signal.signal(asked, handler)


def _until_it_takes_requests(
    child: "subprocess.Popen[bytes]", record: Record, log: IO[str], wait: Callable[[float], object]
) -> None:
    waited = 0.0
    while not (recording(record.folder) and (record.folder / INBOX).exists() and _has_rig(record)):
        if child.poll() is not None:
            log.seek(0)
            raise StoreError(
                f"`longsoak run` was started for the walk and ended by itself:\n"
                f"{log.read()[-_LAST_WORDS:].strip()}"
            )
        if waited >= STARTS:
            raise StoreError(
                f"`longsoak run` was started for the walk and takes no requests after {STARTS:g} s."
                " Start it by hand and see what it says."
            )
        wait(_PAUSE)
        waited += _PAUSE


def _has_rig(record: Record) -> bool:
    try:
        return record.rig_version() is not None
    except StoreError:  # it is just being made
        return False


def _end(child: "subprocess.Popen[bytes]") -> None:
    child.terminate()
    try:
        child.wait(STOPS)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()


def _ended(number: int, _frame: FrameType | None) -> NoReturn:
    raise SystemExit(128 + number)  # as a shell reports it
