"""The weekly trial, as one route has to carry it."""

from collections.abc import Callable

from longsoak.notify.compose import of_trial
from longsoak.notify.notice import Notice
from longsoak.store.noticerecord import NoticeRecord
from longsoak.vocabulary.notices import TRIAL
from longsoak.vocabulary.rig import Rig

LOOK_EVERY = 5.0  # s between two looks at the record: it goes out once a week


def trial_cursor(route: str) -> str:
    """Where it is kept which trial a route carried last."""
    return f"{TRIAL} by {route}"


class TrialCall:
    """Says whether a route has a trial to carry, until it has.

    Parameters
    ----------
    record : NoticeRecord
        Where it lies that one went out, and what each route carried.
    rig : Rig
        For the words.
    route : str
        Whose it is.
    identity : str
        What tells the record from others.
    monotonic : callable
        The monotonic clock, s.
    """

    def __init__(
        self,
        record: NoticeRecord,
        rig: Rig,
        *,
        route: str,
        identity: str,
        monotonic: Callable[[], float],
    ) -> None:
        self._record = record
        self._rig = rig
        self._route = route
        self._identity = identity
        self._monotonic = monotonic
        self._carried: int | None = None
        self._looked: float | None = None
        self._due: tuple[int, Notice] | None = None

    def due(self) -> Notice | None:
        """The trial that has to go now, if one has to.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        now = self._monotonic()
        if self._due is None and (self._looked is None or now - self._looked >= LOOK_EVERY):
            self._looked = now
            if self._carried is None:
                self._carried = self._record.cursor(trial_cursor(self._route))
            trial = self._record.trial()
            if trial is not None and trial.number != self._carried:
                notice = of_trial(
                    self._rig,
                    sent_ms=trial.sent_ms,
                    number=trial.number,
                    record=self._identity,
                    route=self._route,
                )
                self._due = trial.number, notice
        return None if self._due is None else self._due[1]

    def went(self) -> tuple[str, int]:
        """Note that it was carried; the cursor to be saved, and its position."""
        assert self._due is not None  # noqa: S101 - only what is due can have gone
        self._carried, self._due = self._due[0], None
        return trial_cursor(self._route), self._carried
