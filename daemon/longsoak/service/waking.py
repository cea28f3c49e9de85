"""Which outlets are called after a commit."""

from longsoak.forward.health import FORWARDERS
from longsoak.service.outlets import OutletWorker
from longsoak.store.unkept import Unkept
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.notices import Way

_BY_EACH_COMMIT = (*FORWARDERS, Way.MQTT.value)  # that one also tells the state in time


class Waking:
    """Wakes outlets after commits: notices only where an alarm has changed, for most have none.

    An idle look at the record takes half a millisecond, and a rig may have ten routes and five
    commits a second. What else a route has to carry it looks for by itself.

    Parameters
    ----------
    outlets : list of OutletWorker
        All of them.
    writer : RecordWriter
        Of whose record it is.
    unkept : Unkept
        Where changes are that the disk does not take.
    """

    def __init__(self, outlets: list[OutletWorker], writer: RecordWriter, unkept: Unkept) -> None:
        self._outlets = outlets
        self._writer = writer
        self._unkept = unkept
        self._newest = -1

    def __call__(self) -> None:
        """Wake those for whom there may be something new. Belongs to the writer's thread."""
        try:
            kept = self._writer.last_change()
        except StoreError:  # whatever there is, is unkept
            kept = 0
        waiting = self._unkept.after(kept)
        newest = waiting[-1].id if waiting else kept
        changed, self._newest = newest != self._newest, newest
        for outlet in self._outlets:
            if changed or outlet.outlet in _BY_EACH_COMMIT:
                outlet.wake()
