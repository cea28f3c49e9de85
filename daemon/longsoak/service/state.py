"""What is told of a process that measures: by MQTT, and by the pages at ``/state.json``."""

from collections.abc import Callable, Mapping
from contextlib import suppress

from longsoak.core.recency import verified_within_s
from longsoak.core.wording import rfc3339
from longsoak.forward.health import unsent
from longsoak.service.clock import Clock
from longsoak.store.ledger import Ledger
from longsoak.store.readback import Measured, ReadBack
from longsoak.store.space import room
from longsoak.vocabulary.alarm import Priority
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.outlet import Payload, Recording
from longsoak.vocabulary.rig import Rig

_READ = (
    "newest_scan",
    "newest_scan_age_s",
    "scans",
    "run",
    "unsent",
    "last_day",
    "standing",
    "pump_dry_days",
)
WATER_EVERY = 600.0  # s between two forecasts of the water: days hardly change in that time


class State:
    """Writes it as ``state.schema.json`` says. Safe from any thread.

    Parameters
    ----------
    rig : Rig
        Whose.
    record : ReadBack
        Says when was measured last, and what waits.
    software : str
        The version that measures.
    since_ms : int
        When the process began to record, UTC ms.
    clock : Clock
        The clocks.
    positions : callable
        Gives the last scan sent, for each forwarder that is set up.
    measured : callable
        Gives the scan that was read back from the record and is young enough, or None: without it
        "recording" is told as "not recording".
    again_within : float
        Seconds after which the state is told anew; 0 where it is told when asked for.
    """

    def __init__(
        self,
        rig: Rig,
        record: ReadBack,
        *,
        software: str,
        since_ms: int,
        clock: Clock,
        positions: Callable[[], Mapping[str, int]],
        measured: Callable[[], Measured | None],
        again_within: float,
    ) -> None:
        self._rig = rig
        self._record = record
        self._software = software
        self._since_ms = since_ms
        self._clock = clock
        self._positions = positions
        self._measured = measured
        self._again_within = again_within
        self._told: Recording | None = None
        self._water: tuple[float, object] | None = None  # when it was forecast, and what came out

    def now(self) -> Recording:
        """Whether it is being recorded, of a process that runs."""
        return Recording.ON if self._measured() is not None else Recording.NOTHING_NEW

    def has_changed(self) -> bool:
        """Whether it is something else than was told last."""
        return self._told is not None and self._told is not self.now()

    def describe(self, state: Recording) -> Payload:
        """What is said in `state`. Never raises: what can't be read is left open.

        "Cut off" is written before it happens, for the broker to tell: it knows no times.
        """
        now_ms = self._clock.utc_ms()
        if state is Recording.CUT_OFF:
            return self._written(state, now_ms, since_ms=None, known={})
        if state is Recording.STOPPED:
            return self.of(state, since_ms=now_ms)
        state = self.now()
        if self._told not in (None, state):
            self._since_ms = now_ms
        self._told = state
        return self.of(state, since_ms=self._since_ms)

    def of(self, state: Recording, *, since_ms: int | None) -> Payload:
        """What is said of a process that has been in `state` since then, UTC ms."""
        now_ms = self._clock.utc_ms()
        known: dict[str, object] = {}
        for read in (self._scans, self._waits, self._days, self._alarms, self._dry):
            with suppress(StoreError):
                known |= read(now_ms)
        return self._written(state, now_ms, since_ms=since_ms, known=known)

    def _written(
        self,
        state: Recording,
        now_ms: int,
        *,
        since_ms: int | None,
        known: Mapping[str, object],
    ) -> Payload:
        here = room(self._record.folder)
        return {
            "rig": self._rig.name,
            "page": self._rig.page,
            "state": state.value,
            "since": None if since_ms is None else rfc3339(since_ms),
            "written": rfc3339(now_ms),
            **dict.fromkeys(_READ),
            **known,
            "oldest_fine_s": verified_within_s(self._rig),
            "again_within_s": self._again_within,
            "boot": self._clock.boot,
            "up_s": self._clock.boottime_ms() / 1000,
            "clock_synchronised": self._clock.synchronised(),
            "free_bytes": None if here is None else here.free,
            "software": self._software,
            "invented": self._rig.invented,
        }

    def _scans(self, now_ms: int) -> dict[str, object]:
        newest = self._record.newest_measured()
        if newest is None:
            return {}
        age_s = (now_ms - newest.utc_ms) / 1000
        if newest.boot == self._clock.boot:  # then the wall clock has no say
            age_s = (self._clock.boottime_ms() - newest.boottime_ms) / 1000
        return {
            "newest_scan": rfc3339(newest.utc_ms),
            "newest_scan_age_s": max(0.0, age_s),
            "scans": newest.scan,
            "run": newest.run,
        }

    def _waits(self, now_ms: int) -> dict[str, object]:
        waiting = {}
        for name, position in self._positions().items():
            behind = unsent(self._record, position)
            oldest_ms = behind.oldest_utc_ms
            waiting[name] = {
                "scans": behind.scans,
                "oldest_age_s": None if oldest_ms is None else max(0, now_ms - oldest_ms) / 1000,
            }
        return {"unsent": waiting}

    def _days(self, _now_ms: int) -> dict[str, object]:
        head = Ledger(self._record.folder).last_head()
        if head is None:
            return {}
        return {
            "last_day": {"day": head.day.isoformat(), "entries": head.entries, "root": head.root}
        }

    def _alarms(self, _now_ms: int) -> dict[str, object]:
        changes = self._record.alarms()
        standing = [
            plan.priority
            for plan in self._rig.alarms
            if (change := changes.get(plan.key)) is not None
            and change.new.standing
            and change.hiding is None
        ]
        return {"standing": {str(priority): standing.count(priority) for priority in Priority}}

    def _dry(self, now_ms: int) -> dict[str, object]:
        if self._rig.reservoir is None:
            return {}
        # Here and not above: a rig without a reservoir never pays for it.
        from longsoak.store.waterdocument import days_document
        from longsoak.store.waterlook import pump_dry

        running = self._clock.monotonic()
        if self._water is None or running - self._water[0] >= WATER_EVERY:
            days = pump_dry(self._record, self._rig, now_ms=now_ms)
            self._water = running, days_document(days)
        return {"pump_dry_days": self._water[1]}
