"""The chore that seals older scans and adds up hours and days."""

from collections.abc import Sequence

from longsoak.store.sealing import Sealing
from longsoak.store.summaries import Summaries
from longsoak.vocabulary.happening import Event

LOOK = 300.0  # s between two looks whether anything is due: nothing waits for it


class Upkeep:
    """Seals and adds up, one after the other: neither starts while the other is under way.

    See `longsoak.service.chores.Chore`. `look` is how often it looks, s.
    """

    name = "upkeep"

    def __init__(self, sealing: Sealing, summaries: Summaries, *, look: float = LOOK) -> None:
        self._sealing = sealing
        self._summaries = summaries
        self._look = look

    def do(self, *, now: float, utc_ms: int) -> tuple[float, Sequence[Event]]:
        """Do one bite of what is under way, or of what is due."""
        if self._summaries.under_way:
            self._summaries.bite()
            return 0.0, ()
        if self._sealing.bite() or self._summaries.bite():
            return 0.0, ()
        return self._look, ()
