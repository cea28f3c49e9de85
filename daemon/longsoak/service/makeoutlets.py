"""Every outlet a rig file sets up, each to be built in its own thread."""

import threading
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from longsoak.core.routes import routes_of
from longsoak.forward.health import FORWARDERS
from longsoak.service.clock import Clock
from longsoak.service.makeroutes import Put, make_route, reports_of, secret, trial_call
from longsoak.service.messages import CursorMoved, Happened
from longsoak.service.outlets import QUIET, OutletWorker
from longsoak.service.state import State
from longsoak.store.noticerecord import REFUSED
from longsoak.store.readback import Measured, ReadBack
from longsoak.store.reader import Record
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.destinations import Mqtt
from longsoak.vocabulary.errors import BrokerError, ForwardError, NoticeError
from longsoak.vocabulary.notices import Way
from longsoak.vocabulary.outlet import Broker, Outlet
from longsoak.vocabulary.rig import Rig

if TYPE_CHECKING:
    from longsoak.forward.times import TimedRecord
    from longsoak.service.mqtt import MqttConnection

SETTLES = 60.0  # s the other end may take to have for good what it acknowledged
STATE_EVERY = 60.0  # s between two tellings of the state
STATE_LOOK = 5.0  # s between two looks whether it is another


def make_outlets(
    rig: Rig,
    beside: Path,
    *,
    record: Record,
    clock: Clock,
    software: str,
    since_ms: int,
    measured: Callable[[], Measured | None],
    put: Put,
    ends: Callable[[], bool] = lambda: True,
) -> list[OutletWorker]:
    """Make a worker for each outlet of `rig`.

    Parameters
    ----------
    rig : Rig
        Says where to.
    beside : Path
        Where the files lie that the rig file names.
    record : Record
        As notices see it.
    clock : Clock
        The clocks.
    software : str
        The version that records.
    since_ms : int
        Since when it does, UTC.
    measured : callable
        Gives the scan that shows that it does; see `State`.
    put : callable
        Takes what outlets have to say.
    ends : callable
        Says, when outlets are closed, whether the broker is to be told that the rig has stopped.
    """
    workers: list[OutletWorker] = []

    def work(name: str, build: Callable[[], Outlet], *, settle: float, hurry: bool = False) -> None:
        workers.append(
            OutletWorker(
                name,
                build=build,
                record=record,
                clock=clock,
                settle=settle,
                report=put,
                hurry=hurry,
            )
        )

    def positions() -> Mapping[str, int]:
        return {
            worker.outlet: worker.position if worker.position >= 0 else record.cursor(worker.outlet)
            for worker in workers
            if worker.outlet in FORWARDERS
        }

    for route in routes_of(rig):
        if route.way is not Way.MQTT:
            build = partial(make_route, route, record, rig, beside, clock, put)
            work(route.name, build, settle=0.0, hurry=True)  # it is called for alarms alone
    if rig.mqtt is not None:
        state = State(
            rig,
            ReadBack(record.folder),
            software=software,
            since_ms=since_ms,
            clock=clock,
            positions=positions,
            measured=measured,
            again_within=STATE_EVERY + QUIET,
        )
        shared = _Shared(partial(_connect, rig.mqtt, beside, state), ends)
        work(
            "mqtt", partial(_notices, record, rig, rig.mqtt, shared, state, clock, put), settle=0.0
        )
        if rig.mqtt.readings is not None:
            readings = partial(_readings, record.folder, rig, rig.mqtt, shared, clock, put)
            work("readings", readings, settle=SETTLES)
    if rig.database is not None:
        work("database", partial(_database, record.folder, rig, beside, clock, put), settle=SETTLES)
    return workers


def start_new_ones(
    writer: RecordWriter, record: Record, outlets: list[OutletWorker], *, utc_ms: int
) -> None:
    """Let what is new to a record start with what comes, but for the database.

    A storm of mails about what was helps nobody, and a broker keeps no history.
    """
    newest, last_change = record.version()
    new = {
        outlet.outlet: (newest if outlet.outlet == "readings" else last_change, utc_ms)
        for outlet in outlets
        if outlet.outlet != "database" and not record.has_cursor(outlet.outlet)
    }
    if new:  # 0 is kept too, or the next start would take the outlet for new again
        writer.commit(Batch(cursors=new))


class _Shared:
    """One connection for whoever asks: made for the first, closed by the last."""

    def __init__(self, make: "Callable[[], MqttConnection]", ends: Callable[[], bool]) -> None:
        self._make = make
        self._ends = ends
        self._lock = threading.Lock()
        self._connection: MqttConnection | None = None
        self._users = 0

    def join(self) -> "MqttConnection":
        with self._lock:
            if self._connection is None:
                self._connection = self._make()
            self._users += 1
            return self._connection

    def leave(self) -> None:
        with self._lock:
            self._users -= 1
            if self._users == 0 and self._connection is not None:
                self._connection.close(stopped=self._ends())
                self._connection = None


class _Leaving:
    """An outlet that leaves the shared connection when it is closed."""

    def __init__(self, outlet: Outlet, leave: Callable[[], None]) -> None:
        self.name = outlet.name
        self._outlet = outlet
        self._leave: Callable[[], None] | None = leave

    def step(self, position: int) -> int:
        return self._outlet.step(position)

    def close(self) -> None:
        self._outlet.close()
        leave, self._leave = self._leave, None
        if leave is not None:
            leave()


class _Told:
    """Notices, and the state of the process while there are none: once a minute, and if it changes.

    Each connection begins with it.
    """

    def __init__(
        self,
        outlet: Outlet,
        broker: "MqttConnection",
        state: State,
        monotonic: Callable[[], float],
    ) -> None:
        self.name = outlet.name
        self._outlet = outlet
        self._broker = broker
        self._state = state
        self._monotonic = monotonic
        self._told = self._looked = monotonic()

    def step(self, position: int) -> int:
        reached = self._outlet.step(position)
        if reached == position:
            try:
                if self._is_due():
                    self._broker.tell_state()
                    self._told = self._monotonic()
                self._broker.check_state()
            except BrokerError as error:
                raise NoticeError(str(error)) from error
        return reached

    def _is_due(self) -> bool:
        now = self._monotonic()
        if now - self._told >= STATE_EVERY:
            return True
        if now - self._looked < STATE_LOOK:
            return False
        self._looked = now
        return self._state.has_changed()

    def close(self) -> None:
        self._outlet.close()


def _connect(settings: Mqtt, beside: Path, state: State) -> "MqttConnection":
    from longsoak.service.mqtt import MqttConnection
    from longsoak.service.tls import tls_of

    return MqttConnection(
        settings,
        password=secret(beside, settings.password_file, NoticeError),
        tls=tls_of(settings, beside=beside),
        describe=state.describe,
    )


def _notices(
    record: Record,
    rig: Rig,
    settings: Mqtt,
    shared: _Shared,
    state: State,
    clock: Clock,
    put: Put,
) -> Outlet:
    from longsoak.notify.mqtt import MqttNotices

    try:
        broker = shared.join()
    except BrokerError as error:
        raise NoticeError(str(error)) from error
    notices = MqttNotices(
        record,
        rig,
        broker,
        prefix=settings.prefix,
        trial=trial_call(Way.MQTT.value, record, rig, clock),
        reports=reports_of(Way.MQTT.value, put),
    )
    return _Leaving(_Told(notices, broker, state, clock.monotonic), shared.leave)


def _readings(
    folder: Path, rig: Rig, settings: Mqtt, shared: _Shared, clock: Clock, put: Put
) -> Outlet:
    from longsoak.forward.mqtt import MqttReadings
    from longsoak.forward.times import TimedRecord

    assert settings.readings is not None  # noqa: S101 - only built where it is configured
    try:
        broker: Broker = shared.join()
    except BrokerError as error:
        raise ForwardError(str(error)) from error
    record = TimedRecord(folder, boottime_ms=clock.boottime_ms)
    readings = MqttReadings(
        record,
        rig,
        broker,
        prefix=settings.prefix,
        rate=settings.readings,
        time_sure=record.time_sure,
        monotonic=clock.monotonic,
    )
    return _Leaving(_put_right(readings, record, put), shared.leave)


def _put_right(outlet: Outlet, record: "TimedRecord", put: Put) -> Outlet:
    from longsoak.forward.times import PutRight

    return PutRight(
        outlet,
        record,
        keep=lambda cursor, number: put(CursorMoved(cursor, number)),
        tell=lambda says: put(Happened("sent again", outlet.name, says)),
    )


def _database(folder: Path, rig: Rig, beside: Path, clock: Clock, put: Put) -> Outlet:
    from longsoak.forward.database import DatabaseForwarder
    from longsoak.forward.times import TimedRecord

    assert rig.database is not None  # noqa: S101 - as above
    token = secret(beside, rig.database.token_file, ForwardError)
    record = TimedRecord(folder, boottime_ms=clock.boottime_ms)
    database = DatabaseForwarder(
        record,
        rig,
        rig.database,
        token=token,
        on_refused=lambda says: put(Happened(REFUSED, "database", says)),
        time_sure=record.time_sure,
    )
    return _put_right(database, record, put)
