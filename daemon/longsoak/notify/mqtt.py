"""Notices by MQTT: each alarm's last change, where whoever subscribes sees it at once."""

from dataclasses import dataclass

from longsoak.core.topics import alarm_topic, trial_topic
from longsoak.notify.notice import Reports
from longsoak.notify.occasion import TrialCall
from longsoak.notify.words import payload, subject
from longsoak.store.noticerecord import TAKEN
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import AlarmState, StoredChange
from longsoak.vocabulary.errors import BrokerError, NoticeError, StoreError
from longsoak.vocabulary.notices import TRIAL
from longsoak.vocabulary.outlet import Broker, Published
from longsoak.vocabulary.rig import Rig


@dataclass(frozen=True, slots=True)
class _Pending:
    """A change that was handed over and is not known to have arrived."""

    change: int
    message: Published


class MqttNotices:
    """Publishes each alarm change as ``alarm.schema.json`` says. See `longsoak.vocabulary.outlet`.

    What is retained is how the alarm stands. A broker that has lost its memory has lost that too,
    so the alarms that are not normal are told once more to one that does not know us.

    Parameters
    ----------
    record : Record
        Alarm changes are sent once they are committed there.
    rig : Rig
        Says what the alarms mean.
    broker : Broker
        Where to; whoever made it closes it.
    prefix : str
        The first part of every topic.
    trial : TrialCall or None
        The weekly trial, published behind whatever alarms there are.
    reports : Reports or None
        Where it is told what the broker took.
    """

    name = "mqtt"

    def __init__(
        self,
        record: Record,
        rig: Rig,
        broker: Broker,
        *,
        prefix: str,
        trial: TrialCall | None = None,
        reports: Reports | None = None,
    ) -> None:
        self._trial = trial
        self._reports = reports
        self._record = record
        self._rig = rig
        self._broker = broker
        self._prefix = prefix
        self._pending: _Pending | None = None
        self._losses = 0  # of the broker's memory, those that were made good

    def step(self, position: int) -> int:
        """Publish the first alarm change after `position`; also fails while the broker is away."""
        try:
            changes = self._record.alarm_changes_after(position, limit=1)
            self._broker.ready()
            if self._pending is None:  # or what stands would come after what has changed since
                self._make_good(position)
            if not changes:
                self._try_out()
                return position
            self._deliver(changes[0])
        except StoreError as error:
            raise NoticeError(f"nothing could be read to send: {error}") from error
        except BrokerError as error:
            raise NoticeError(str(error)) from error
        return changes[0].id

    def close(self) -> None:
        """Do nothing: the connection is not its own."""

    def _try_out(self) -> None:
        if self._trial is None or (notice := self._trial.due()) is None:
            return
        topic = trial_topic(self._prefix)
        self._broker.wait(self._broker.publish(topic, notice.fields))
        went = self._trial.went()
        if self._reports is not None:
            self._reports.event(TRIAL, f"taken: {notice.subject}")
            self._reports.cursor(*went)

    def _make_good(self, position: int) -> None:
        losses = self._broker.losses
        if losses == self._losses:
            return
        for change in self._record.alarms().values():
            if change.new is not AlarmState.NORMAL and change.id <= position:
                topic = alarm_topic(self._prefix, change.key)
                self._broker.wait(self._broker.publish(topic, payload(self._rig, change)))
        self._losses = losses

    def _deliver(self, change: StoredChange) -> None:
        pending = self._pending
        if (
            pending is None
            or pending.change != change.id
            or not self._broker.holds(pending.message)
        ):
            topic = alarm_topic(self._prefix, change.key)
            message = self._broker.publish(topic, payload(self._rig, change))
            pending = self._pending = _Pending(change.id, message)
        self._broker.wait(pending.message)
        self._pending = None
        if self._reports is not None and change.told:
            self._reports.event(TAKEN, f"taken: {subject(self._rig, [change])}")
