"""Closer looks that a page asks for: taken in a thread, one at a time, and kept when they are in.

A slow scanner takes minutes for all its channels, longer than a phone waits for an answer.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from threading import Event, Lock, Thread

from longsoak.core.proof.reads import READINGS
from longsoak.proving.hands import LEADS
from longsoak.proving.walk import Resistor, Walk
from longsoak.vocabulary.errors import LongsoakError, RequestError
from longsoak.vocabulary.proof import Step

_LONGEST_CLOSE = 5.0  # s; a look that hangs on a disk must not hold the end of the pages


@dataclass(frozen=True, slots=True)
class Look:
    """A look under way, or the last one that came to nothing; `trouble` says why."""

    step: Step
    names: tuple[str, ...]
    there: int = 0
    wanted: int = 1
    trouble: str = ""


class _Stopping(Exception):  # noqa: N818 - no error: the pages are told to end
    pass


class Looks:
    """Takes looks, one at a time: two at once would hold each other up on a slow bus."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._stop = Event()
        self._thread: Thread | None = None
        self._under_way: Look | None = None
        self._failed: Look | None = None

    def wait(self, seconds: float) -> None:
        """Let some seconds pass, unless the pages are told to end."""
        if self._stop.wait(seconds):
            raise _Stopping

    @property
    def under_way(self) -> Look | None:
        """The look that is being taken."""
        return self._under_way

    @property
    def failed(self) -> Look | None:
        """The last look, if it came to nothing."""
        return self._failed

    def forget(self) -> None:
        """Forget what came to nothing: another proof has begun."""
        self._failed = None

    def start(
        self, walk: Walk, proof: str, step: Step, names: Sequence[str], resistor: Resistor | None
    ) -> None:
        """Look at some channels and keep what is found; the same look pressed twice is one.

        Raises
        ------
        RequestError
            Another look is under way.
        """
        with self._lock:
            if self._under_way is not None:
                if (step, tuple(names)) == (self._under_way.step, self._under_way.names):
                    return
                raise RequestError(
                    f"{_named(self._under_way)} still being read. Wait until that is done. "
                    "Nothing was asked."
                )
            self._under_way = Look(step, tuple(names))
            self._failed = None
            self._thread = Thread(
                target=self._take, args=(walk, proof, self._under_way, resistor), name="look"
            )
            self._thread.start()

    def close(self) -> None:
        """End a look under way; what it had not kept is to do again."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(_LONGEST_CLOSE)

    def _take(self, walk: Walk, proof: str, look: Look, resistor: Resistor | None) -> None:
        def progress(there: int, wanted: int) -> None:
            self._under_way = Look(look.step, look.names, there, wanted)

        trouble = ""
        try:
            count = READINGS if look.step is Step.READS else LEADS
            found = walk.look(look.names, count=count, progress=progress)
            for probe, finding in walk.judge_each(look.step, found, resistor=resistor):
                walk.keep(proof, look.step, probe.name, finding)
        except LongsoakError as error:
            trouble = str(error)
        except _Stopping:
            pass
        finally:
            with self._lock:
                self._under_way = None
                if trouble:
                    self._failed = Look(look.step, look.names, trouble=trouble)


def _named(look: Look) -> str:
    return f"{look.names[0]} is" if len(look.names) == 1 else f"{len(look.names)} channels are"
