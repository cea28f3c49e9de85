"""A rig file that has changed: who asked for it, whether it is right, and what came of it.

It is read and checked in a thread of its own, while measuring goes on. What passes is left in
`Reloading.ready` for whoever measures to take up, and `taken_up` or `refuse` says how that went.
"""

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from longsoak.core.wording import with_noun
from longsoak.rigfile.filesaway import files_away
from longsoak.rigfile.naming import check_name
from longsoak.service.clock import Clock
from longsoak.service.drivers import load_rig
from longsoak.service.manager import ServiceManager
from longsoak.service.messages import Checked
from longsoak.store.reloadrequests import WRONG, digest_of, digest_wanted
from longsoak.store.requests import Request
from longsoak.vocabulary.errors import RequestError, RigFileError
from longsoak.vocabulary.rig import Rig

_log = logging.getLogger(__name__)

_MOST = 100  # mistakes told; whoever has more begins with these


class Version(NamedTuple):
    """A rig file as it was accepted: the rig, its whole text and its number in the record."""

    rig: Rig
    text: str
    number: int


class Ready(NamedTuple):
    """A rig file that passed every check: the rig and its whole text."""

    rig: Rig
    text: str


@dataclass(slots=True)
class _Round:
    """Who waits for one check: those that asked through the inbox, and whether a signal did."""

    requests: list[Request] = field(default_factory=list)
    signalled: bool = False

    def join(self, request: Request | None) -> None:
        if request is None:
            self.signalled = True
        else:
            self.requests.append(request)


class Reloading:
    """Whoever asks while a check is under way waits for another one: the file may have changed.

    Belongs to the recorder's thread, but for the reading.

    Parameters
    ----------
    rig_file, folder : Path
        The file, and the record's folder.
    now : Version
        What is measured under.
    manager : ServiceManager
        Told that a rig file is being taken up, and that it is over.
    clock : Clock
        The clocks.
    put : callable
        Takes what came of a check, from its thread.
    """

    def __init__(
        self,
        rig_file: Path,
        *,
        folder: Path,
        now: Version,
        manager: ServiceManager,
        clock: Clock,
        put: Callable[[Checked], None],
    ) -> None:
        self._rig_file = rig_file
        self._folder = folder
        self._manager = manager
        self._clock = clock
        self._put = put
        self.now = now
        """The version that is measured under."""
        self.ready: Ready | None = None
        """What passed, and is to be taken up."""
        self._round: _Round | None = None
        self._next: _Round | None = None
        self._answers: list[tuple[Request, str]] = []
        self._news: list[str] = []

    def ask(self, request: Request | None = None) -> None:
        """Have the file looked at, because of a request, or of a signal."""
        if self._round is not None:
            self._next = self._next or _Round()
            self._next.join(request)
            return
        self._round = _Round()
        self._round.join(request)
        self._begin()

    def checked(self, found: Checked) -> None:
        """Take in what came of a check."""
        waits = self._round
        if waits is None:
            return
        if found.wrong is not None:
            _log.warning("%s", found.wrong)
            first, *more = found.wrong.removeprefix(WRONG).splitlines()
            others = f" (and {with_noun(len(more), 'line')} more in the log)" if more else ""
            self._close(found.wrong, f"{self._stays(f'not taken up: {first}')}{others}")
            return
        self._drop_strangers(waits, digest_of(found.text))
        if not (waits.requests or waits.signalled):
            self._close("", None)
        elif found.text == self.now.text or found.rig is None:
            says = (
                f"nothing has changed: the file is as version {self.now.number} has it, "
                "which is measured under"
            )
            _log.info("rig file: %s", says)
            self._close(says, None)
        else:
            self.ready = Ready(found.rig, found.text)

    def taken_up(self, version: Version, says: str) -> None:
        """Say that what was ready is measured under now; `says` is what has changed."""
        self.now = version
        words = f"rig file version {version.number} taken up: {says}"
        self._close(words, words)

    def refuse(self, why: str) -> None:
        """Say that what was ready can't be taken up, and that all goes on as it was."""
        self._close(f"refused: {self._stays(why)}", self._stays(f"not taken up: {why}"))

    def answers(self) -> list[tuple[Request, str]]:
        """Requests with their outcomes since the last call."""
        found, self._answers = self._answers, []
        return found

    def news(self) -> list[str]:
        """What is worth an event since the last call."""
        found, self._news = self._news, []
        return found

    def _stays(self, why: str) -> str:
        return f"{why.rstrip('.')}. Measuring goes on under version {self.now.number}."

    def _drop_strangers(self, waits: _Round, digest: str) -> None:
        """Answer those that mean a text other than what was read."""
        for request in tuple(waits.requests):
            try:
                if digest_wanted(request) == digest:
                    continue
                why = (
                    f"what is measured from is {self._rig_file}, and holds another text than the "
                    "file that was named. Name that one, or ask again if it was just written"
                )
            except RequestError as error:
                why = str(error)
            waits.requests.remove(request)
            self._answers.append((request, f"refused: {self._stays(why)}"))

    def _close(self, outcome: str, news: str | None) -> None:
        waits, self._round, self.ready = self._round, None, None
        if waits is not None:
            self._answers += [(request, outcome) for request in waits.requests]
        if news is not None:
            self._news.append(news)
        self._manager.tell("READY=1")
        if self._next is not None:
            self._round, self._next = self._next, None
            self._begin()

    def _begin(self) -> None:
        usec = round(self._clock.monotonic() * 1e6)
        self._manager.tell("RELOADING=1", f"MONOTONIC_USEC={usec}")
        try:
            threading.Thread(target=self._check, name="rig file", daemon=True).start()
        except RuntimeError as error:  # no memory for a thread
            self.refuse(f"the rig file could not be looked at: {error}")

    def _check(self) -> None:
        """Read and check the file; in a thread of its own."""
        now = self.now
        try:
            rig, text = load_rig(self._rig_file)
            check_name(text, kept=now.text, file=str(self._rig_file), folder=self._folder)
            away = [] if text == now.text else self._newly_away(text, now.text)
        except RigFileError as error:
            lines = [str(mistake) for mistake in error.mistakes]
            self._put(Checked(None, "", _wrong(lines)))
        except Exception as error:  # a bug in a check must not go without an answer
            _log.exception("the rig file could not be checked")
            says = f"it could not be checked: {error!r}. Please report it"
            self._put(Checked(None, "", f"{WRONG}{says}"))
        else:
            self._put(Checked(rig, text, _wrong(away) if away else None))

    def _newly_away(self, text: str, before: str) -> list[str]:
        """What can't be read of the files it names, but for what could not be read so far."""
        beside = self._rig_file.parent
        so_far = frozenset(files_away(before, beside=beside))
        return [says for says in files_away(text, beside=beside) if says not in so_far]


def _wrong(lines: list[str]) -> str:
    told = lines[:_MOST]
    if more := len(lines) - len(told):
        told.append(f"... and {with_noun(more, 'mistake')} more")
    return WRONG + "\n".join(told)
