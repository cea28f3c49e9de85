"""Which service window is open: opened and ended by entries of the logbook, or by their time."""

from collections.abc import Iterable
from typing import NamedTuple

from longsoak.core.water.entries import begins_ms, ended_window, ends_ms, opened_window, windows
from longsoak.core.wording import time_words
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import SERVICE, LogbookEntry

BY_BUTTON = "button"
BUTTON_MINUTES = 60
_AHEAD = 60.0  # s: a person's watch may be that much ahead of the machine's clock


class _Window(NamedTuple):
    """A window with its ends on CLOCK_BOOTTIME, s, so that a clock that is set moves neither."""

    entry: LogbookEntry
    begin: float
    end: float


class Servicing:
    """Remembers the service windows that count.

    Parameters
    ----------
    entries : iterable of LogbookEntry
        What the logbook holds already.
    utc_ms : int
        The wall clock now: where those windows lie now is told by it alone. One that seems yet to
        come, by a clock that was lost, counts as over.
    now : float
        CLOCK_BOOTTIME now, s.
    """

    def __init__(self, entries: Iterable[LogbookEntry], *, utc_ms: int, now: float) -> None:
        self._windows: dict[int, _Window] = {}
        for entry in windows(entries):
            begin = now - (utc_ms - begins_ms(entry)) / 1000
            if begin <= now + _AHEAD:
                self._add(entry, begin)

    def refuse(self, entry: LogbookEntry, *, now: float) -> None:
        """Refuse a window where one is open already.

        Raises
        ------
        RequestError
            It is; one for a time gone by may be written down later all the same.
        """
        if entry.kind != SERVICE:
            return
        there = self.open_at(now)
        gone_by = ends_ms(entry) <= entry.asked_utc_ms
        if entry.corrects is None and there is not None and not gone_by:
            raise RequestError(
                f"A service window of {there.by} is open until {time_words(ends_ms(there))}. "
                "End it first. Nothing was kept."
            )
        if entry.corrects is not None and entry.corrects not in self._windows:
            raise RequestError(
                f"Entry {entry.corrects} is no service window that counts. Nothing was kept."
            )

    def kept(self, entry: LogbookEntry) -> None:
        """Take in an entry that was kept; one that corrects a window puts it aside."""
        corrected = None if entry.corrects is None else self._windows.pop(entry.corrects, None)
        if entry.kind != SERVICE:
            return
        began = (entry.kept_boottime_ms - (entry.kept_utc_ms - entry.at_utc_ms)) / 1000
        self._add(entry, began if corrected is None else corrected.begin)

    def open_at(self, now: float) -> LogbookEntry | None:
        """The window that is open at a time, CLOCK_BOOTTIME in s."""
        return next((w.entry for w in self._windows.values() if w.begin <= now < w.end), None)

    def pressed(self, *, utc_ms: int, now: float) -> LogbookEntry:
        """The entry that a press of the button makes: it opens a window, or ends what is open."""
        there = self.open_at(now)
        if there is None:
            says = "Somebody works at the rig: opened by the button."
            lasts_ms = BUTTON_MINUTES * 60_000
            return opened_window(by=BY_BUTTON, says=says, at_ms=utc_ms, lasts_ms=lasts_ms)
        return ended_window(there, by=BY_BUTTON, says="Ended by the button.", utc_ms=utc_ms)

    def _add(self, entry: LogbookEntry, begin: float) -> None:
        length = (ends_ms(entry) - begins_ms(entry)) / 1000
        self._windows[entry.number] = _Window(entry, begin, begin + length)
