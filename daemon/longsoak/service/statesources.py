"""Where a rig's state can be asked for from outside: its pages, a broker, or the record itself."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from longsoak.core.watching import Finding, Told, What, is_newer, judge, told_of
from longsoak.service.clock import Clock
from longsoak.service.webget import NoAnswerError, get
from longsoak.vocabulary.errors import StoreError

if TYPE_CHECKING:
    from longsoak.store.readback import ReadBack
    from longsoak.vocabulary.rig import Rig

PAUSE = 1.0  # s between two looks while something newer is waited for


class NoStateError(Exception):
    """There is no state to be had: `what` is whether nobody answered, or nothing is told."""

    def __init__(self, what: What, says: str) -> None:
        super().__init__(what, says)
        self.what = what
        self.says = says


class Source(Protocol):
    """Gives a rig's state."""

    name: str

    def look(self, *, wait: float) -> Told:
        """The state, for which one may wait so many s.

        Raises
        ------
        NoStateError
            There is none.
        """
        ...

    def newer(self, first: Told, *, wait: float) -> Told | None:
        """A state that tells of a newer scan than `first`, if one comes within `wait` s."""
        ...

    def close(self) -> None:
        """Let go of it."""
        ...


def check(source: Source, *, clock: Clock, oldest: float | None, wait: float) -> Finding:
    """Say whether a rig is recorded; wait for something newer where that may change the answer."""
    try:
        told = source.look(wait=wait)
    except NoStateError as error:
        return Finding(error.what, error.says)
    found = judge(told, now_ms=clock.utc_ms(), oldest=oldest)
    if found.what not in (What.OLD, What.NOT_RECORDING):
        return found
    later = source.newer(told, wait=wait)
    if later is None:
        return Finding(found.what, f"{found.says} Nothing newer has come meanwhile.")
    return judge(later, now_ms=clock.utc_ms(), oldest=oldest)


class Asked:
    """A source that is asked, and tells how it is just now.

    Parameters
    ----------
    name : str
        What it is called.
    ask : callable
        Gives the state; raises `NoStateError`.
    clock : Clock
        The clocks.
    rest : callable
        Waits so many s.
    """

    def __init__(
        self, name: str, ask: Callable[[], Told], *, clock: Clock, rest: Callable[[float], object]
    ) -> None:
        self.name = name
        self._ask = ask
        self._clock = clock
        self._rest = rest

    def look(self, *, wait: float) -> Told:
        """Ask. See `Source.look`."""
        return self._ask()

    def newer(self, first: Told, *, wait: float) -> Told | None:
        """Ask again and again. See `Source.newer`."""
        until = self._clock.monotonic() + wait
        while (left := until - self._clock.monotonic()) > 0:
            self._rest(min(PAUSE, left))
            try:
                later = self._ask()
            except NoStateError:
                continue
            if is_newer(later, first):
                return later
        return None

    def close(self) -> None:
        """Nothing is held."""


def ask_pages(url: str, *, ca_file: Path | None, password: str | None = None) -> Told:
    """The state that a rig's pages give.

    Raises
    ------
    NoStateError
        Nobody answers, or it is no rig's page.
    """
    address = f"{url.rstrip('/')}/state.json"
    try:
        return told_of(json.loads(get(address, ca_file=ca_file, password=password)), fresh=True)
    except NoAnswerError as error:
        raise NoStateError(What.UNREACHABLE, f"The pages tell nothing: {error}.") from error
    except ValueError as error:
        raise NoStateError(
            What.UNREACHABLE, f"What {address} gives is no state of a rig: {error}."
        ) from error


def ask_record(record: "ReadBack", rig: "Rig", *, clock: Clock) -> Told:
    """The state that a record on this computer gives.

    Raises
    ------
    NoStateError
        It can't be read.
    """
    from longsoak.service.recordstate import state_of_record

    try:
        return told_of(state_of_record(rig, record, clock=clock), fresh=True)
    except StoreError as error:
        raise NoStateError(What.UNREACHABLE, f"The record tells nothing: {error}.") from error
