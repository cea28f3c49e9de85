"""One thread per outlet: walks its cursor over the record, whatever happens at the other end."""

import logging
import threading
from collections.abc import Callable

from longsoak.service.clock import Clock
from longsoak.service.messages import CursorMoved, OutletNews
from longsoak.store.aside import damaged
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import ForwardError, NoticeError, StoreError
from longsoak.vocabulary.outlet import Outlet

_log = logging.getLogger(__name__)

SHORTEST_REST, LONGEST_REST = 1.0, 30.0  # s between two attempts while the other end is away
LONGEST_ASKED = 600.0  # s the other end may ask to be left alone
QUIET = 10.0  # s after which an outlet looks at the record even if nobody called
LAST_CHANCE = 5.0  # s an outlet may go on sending after a stop was asked


class OutletWorker(threading.Thread):
    """Sends through one outlet until told to stop, then once more.

    Parameters
    ----------
    name : str
        The outlet's name, also that of its cursor.
    build : callable
        Makes the outlet, in this thread: what it needs may be slow to import.
    settle : float
        Seconds after which what was sent counts as kept by the other end, and between two reports
        of the cursor. A server that dies may lose what it acknowledged shortly before, so the
        cursor that is saved stays that far behind. 0 reports each move at once.
    report : callable
        Takes `OutletNews` and `CursorMoved`.
    hurry : bool
        Whether a call ends a rest after a failure early, for it is about something urgent. Never
        one that the other end has asked for.
    """

    def __init__(
        self,
        name: str,
        *,
        build: Callable[[], Outlet],
        record: Record,
        clock: Clock,
        settle: float,
        report: Callable[[OutletNews | CursorMoved], None],
        hurry: bool = False,
    ) -> None:
        super().__init__(name=f"outlet {name}", daemon=True)
        self.outlet = name
        self._build = build
        self._record = record
        self._clock = clock
        self._settle = settle
        self._report = report
        self._hurry = hurry
        self._call = threading.Event()
        self._stopping = threading.Event()
        self._anew = threading.Event()
        self._reporting = threading.Lock()
        self._position = -1  # not known yet
        self._saved = self._settling = 0
        self._since = clock.monotonic()  # when `_settling` was the position

    @property
    def position(self) -> int:
        """The last thing sent; below 0 while that isn't known."""
        return self._position

    def wake(self) -> None:
        """Say that something was committed."""
        self._call.set()

    def begin_again(self) -> None:
        """Say that the record is another one; no position in the one before is reported after."""
        with self._reporting:
            self._anew.set()
        self._call.set()

    def stop(self) -> None:
        """Ask for the end: one last attempt to send, then none."""
        self._stopping.set()
        self._call.set()

    def run(self) -> None:
        """Send until stopped."""
        outlet: Outlet | None = None
        before: Outlet | None = None  # of a record that is put aside
        rest = 0.0
        while True:
            last = self._stopping.is_set()
            self._call.clear()
            asked: float | None = None
            if self._anew.is_set():
                self._anew.clear()
                self._position = -1
                before, outlet = outlet, None
            try:
                if outlet is None:
                    outlet = self._build()
                if before is not None:  # after there is another: they may share a connection
                    before.close()
                    before = None
                if self._position < 0:
                    self._position = self._record.cursor(self.outlet)
                    self._saved = self._settling = self._position
                self._send(outlet)
            except (ForwardError, NoticeError, StoreError) as error:
                self._report(OutletNews(self.outlet, str(error), damage=damaged(error)))
                rest = min(LONGEST_REST, max(SHORTEST_REST, 2 * rest))
                asked = None if isinstance(error, StoreError) else error.again_after
                if asked is not None:
                    rest = min(LONGEST_ASKED, max(rest, asked))
            except Exception as error:  # a bug in an outlet must not end measuring's copies
                _log.exception("outlet %s failed", self.outlet)
                self._report(OutletNews(self.outlet, f"failed: {error!r}"))
                rest = LONGEST_REST
            else:
                self._report(OutletNews(self.outlet, None))
                rest = 0.0
            self._settle_some()
            if last:
                break
            if rest and self._hurry and asked is None:
                if not self._stopping.wait(SHORTEST_REST):
                    self._call.wait(rest - SHORTEST_REST)
            elif rest:
                self._stopping.wait(rest)
            else:
                self._call.wait(QUIET)
        for left in (outlet, before):
            if left is not None:
                left.close()

    def _send(self, outlet: Outlet) -> None:
        """Send all there is, a step at a time; a stop ends it between two steps.

        The position moves with each step, so that a failure never sends again what went before.
        """
        well = False
        until = self._clock.monotonic() + LAST_CHANCE
        while (after := outlet.step(self._position)) != self._position:
            if after < self._position:  # at once, or a power cut would leave it out
                self._settling = after
                self._save(after)
            self._position = after
            if self._anew.is_set():
                break
            if not well:  # it may go on for hours
                self._report(OutletNews(self.outlet, None))
                well = True
            self._settle_some()
            if self._stopping.is_set() and self._clock.monotonic() > until:
                break

    def _settle_some(self) -> None:
        now = self._clock.monotonic()
        if self._position < 0 or now - self._since < self._settle:
            return
        settled = self._settling if self._settle else self._position
        self._settling, self._since = self._position, now
        if settled != self._saved:
            self._save(settled)

    def _save(self, position: int) -> None:
        with self._reporting:
            if self._anew.is_set():
                return
            self._report(CursorMoved(self.outlet, position))
        self._saved = position
