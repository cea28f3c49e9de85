"""What the state topic says of a process that measures."""

from collections.abc import Callable, Mapping
from contextlib import suppress

from longsoak.core.wording import rfc3339
from longsoak.forward.health import unsent
from longsoak.service.mqtt import RECORDING, STOPPED
from longsoak.store.ledger import Ledger
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.outlet import Payload
from longsoak.vocabulary.rig import Rig


class State:
    """Writes it as ``state.schema.json`` says. Safe from any thread.

    Parameters
    ----------
    rig : Rig
        Whose.
    record : Record
        Says when was measured last.
    software : str
        The version that measures.
    since_ms : int
        When the process began to record, UTC ms.
    utc_ms : callable
        Gives the time, UTC ms.
    positions : callable
        Gives the last scan sent, for each forwarder that is set up.
    """

    def __init__(
        self,
        rig: Rig,
        record: Record,
        *,
        software: str,
        since_ms: int,
        utc_ms: Callable[[], int],
        positions: Callable[[], Mapping[str, int]],
    ) -> None:
        self._rig = rig
        self._record = record
        self._software = software
        self._since_ms = since_ms
        self._utc_ms = utc_ms
        self._positions = positions

    def describe(self, state: str) -> Payload:
        """What is said in `state`. Never raises: what can't be read is left open.

        "Cut off" is written before it happens, for the broker to tell: it knows no times.
        """
        now_ms = self._utc_ms()
        known: dict[str, object] = {"newest_scan": None, "unsent": None, "last_day": None}
        if state in (RECORDING, STOPPED):
            with suppress(StoreError):
                known = self._read(now_ms)
        since_ms = {RECORDING: self._since_ms, STOPPED: now_ms}.get(state)
        return {
            "rig": self._rig.name,
            "state": state,
            "since": None if since_ms is None else rfc3339(since_ms),
            "written": rfc3339(now_ms),
            **known,
            "software": self._software,
            "invented": self._rig.invented,
        }

    def _read(self, now_ms: int) -> dict[str, object]:
        newest_ms = self._record.last_utc_ms()
        waiting = {}
        for name, position in self._positions().items():
            behind = unsent(self._record, position)
            oldest_ms = behind.oldest_utc_ms
            waiting[name] = {
                "scans": behind.scans,
                "oldest_age_s": None if oldest_ms is None else max(0, now_ms - oldest_ms) / 1000,
            }
        head = Ledger(self._record.folder).last_head()
        return {
            "newest_scan": None if newest_ms is None else rfc3339(newest_ms),
            "unsent": waiting,
            "last_day": None
            if head is None
            else {"day": head.day.isoformat(), "entries": head.entries, "root": head.root},
        }
