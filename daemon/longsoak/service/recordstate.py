"""The state as another process of the same computer sees it, from the record alone."""

from longsoak.core.recency import verified_within_s
from longsoak.forward.health import FORWARDERS
from longsoak.service.clock import Clock
from longsoak.service.state import State
from longsoak.store.files import recording
from longsoak.store.readback import LastRun, Measured, ReadBack
from longsoak.vocabulary.outlet import Payload, Recording
from longsoak.vocabulary.rig import Rig


def state_of_record(rig: Rig, record: ReadBack, *, clock: Clock) -> Payload:
    """What ``state.schema.json`` describes, of whoever records or recorded last.

    Raises
    ------
    StoreError
        The record can't be read, or this user may not see whether somebody records into it.
    """
    run = record.last_run()
    newest = record.newest_measured()
    forwards = (rig.database is not None, rig.mqtt is not None and rig.mqtt.readings is not None)
    names = [name for name, wanted in zip(FORWARDERS, forwards, strict=True) if wanted]
    state = State(
        rig,
        record,
        software="" if run is None else run.software,
        since_ms=0 if run is None else run.started_utc_ms,
        clock=clock,
        positions=lambda: {name: record.cursor(name) for name in names},
        measured=lambda: newest if _is_young(newest, run, rig, clock) else None,
        again_within=0.0,
    )
    if recording(record.folder):
        return state.describe(Recording.ON)
    if run is not None and run.ended_utc_ms is not None:
        return state.of(Recording.STOPPED, since_ms=run.ended_utc_ms)
    return state.of(Recording.CUT_OFF, since_ms=None)


def _is_young(newest: Measured | None, run: LastRun | None, rig: Rig, clock: Clock) -> bool:
    """Whether a scan is of the newest run, in this boot, and not old."""
    return (
        newest is not None
        and run is not None
        and newest.boot == run.boot == clock.boot
        and newest.boottime_ms >= run.started_boottime_ms
        and clock.boottime_ms() - newest.boottime_ms <= 1000 * verified_within_s(rig)
    )
