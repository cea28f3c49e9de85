"""The chore that tells which forwarders fall behind though their peers take what is sent."""

from collections.abc import Callable, Mapping, Sequence

from longsoak.core.wording import ago_words, with_noun
from longsoak.forward.health import FORWARDERS, unsent
from longsoak.forward.times import TimedRecord
from longsoak.service.outlets import OutletWorker
from longsoak.vocabulary.happening import Event

LOOK, SOON = 60.0, 1.0  # s
LATE = 3600.0  # s the oldest unsent scan may be old


class Behind:
    """Looks once a minute. See `Chore`.

    Parameters
    ----------
    outlets : sequence of OutletWorker
        Every outlet; those that copy no scans are left out.
    record : TimedRecord
        What waits, but for what is held back until the clock is known: no peer can help that.
    away : callable
        Whether an outlet's peer takes nothing at present. That has an alarm of its own.
    """

    name = "behind"

    def __init__(
        self,
        outlets: Sequence[OutletWorker],
        record: TimedRecord,
        *,
        away: Callable[[str], bool],
    ) -> None:
        self._outlets = outlets
        self._record = record
        self._away = away
        self._found: dict[str, str | None] = {}

    def standing(self) -> Mapping[str, str | None]:
        """What each forwarder has to send that it should have sent; None is well.

        One that is away is left out: nobody knows how fast it would be.
        """
        return {name: says for name, says in self._found.items() if not self._away(name)}

    def do(self, *, now: float, utc_ms: int) -> tuple[float, Sequence[Event]]:
        """Look at all of them."""
        again = LOOK
        for outlet in self._outlets:
            if outlet.outlet not in FORWARDERS or self._away(outlet.outlet):
                continue
            if outlet.position < 0:  # it is only just starting
                again = SOON
                continue
            waits = unsent(self._record, outlet.position)
            age = 0.0 if waits.oldest_utc_ms is None else (utc_ms - waits.oldest_utc_ms) / 1000
            self._found[outlet.outlet] = (
                f"{with_noun(waits.scans, 'scan')} not sent yet, the oldest taken {ago_words(age)}"
                if age > LATE
                else None
            )
        return again, ()
