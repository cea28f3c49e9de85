"""Notices by MQTT, and whether the rig is being recorded."""

import hashlib
import json
import socket
import sys
import threading
from dataclasses import dataclass
from urllib.parse import quote

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from longsoak.notify.words import payload
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import StoredChange
from longsoak.vocabulary.errors import NoticeError, StoreError
from longsoak.vocabulary.rig import Mqtt, Rig

RECORDING, STOPPED, CUT_OFF = "recording", "stopped", "cut off"
_PLAIN = "".join(c for c in map(chr, range(0x20, 0x7F)) if c not in "%/+#")
KEEPALIVE = 20  # s; the broker publishes the last will one and a half times that after silence
SILENCES = 3  # waits in vain after which the connection is thrown away
GOODBYE = 3.0  # s that each part of closing may take


def alarm_topic(prefix: str, key: str) -> str:
    """Where an alarm's changes go: ``{prefix}/alarms/{key}``.

    In the key ``/`` (it would open another level), ``+``, ``#`` and NUL (a topic may not hold them,
    MQTT 5.0, 4.7), ``%`` itself and all that is not printable ASCII are percent-encoded as in
    RFC 3986; the rest stands as it is.
    """
    return f"{prefix}/alarms/{quote(key, safe=_PLAIN, errors='replace')}"


def state_topic(prefix: str) -> str:
    """Where it says "recording", "stopped", or, by the last will, "cut off"."""
    return f"{prefix}/state"


def client_id(prefix: str, host: str) -> str:
    """A client's id that no other rig and no other machine has.

    Two clients of one id throw each other out for ever. 20 letters and digits: every broker must
    take up to 23 (MQTT 5.0, 3.1.3.1).
    """
    return "longsoak" + hashlib.sha256(f"{prefix}\n{host}".encode()).hexdigest()[:12]


@dataclass(frozen=True, slots=True)
class _Pending:
    """A change the library holds, sends, and sends again after a reconnect until it's answered."""

    change: int
    mid: int


class MqttNotices:
    """Publishes each alarm change, retained, QoS 1. See `longsoak.vocabulary.outlet`.

    A change counts as sent once the broker has acknowledged it without an error. Nothing is given
    to the library while the connection is down: it would keep it in memory and send it later,
    beside our own next attempt.

    Parameters
    ----------
    record : Record
        Alarm changes are sent once they are committed there.
    rig : Rig
        Says what the alarms mean.
    settings : Mqtt
        Where to.
    password : str or None
        The secret.
    patience : float
        Longest wait for a connection or an acknowledgement, s.
    """

    name = "mqtt"

    def __init__(
        self,
        record: Record,
        rig: Rig,
        settings: Mqtt,
        *,
        password: str | None,
        patience: float = 10.0,
    ) -> None:
        self._record = record
        self._rig = rig
        self._settings = settings
        self._password = password
        self._patience = patience
        self._whose = f"the broker at {settings.host}:{settings.port}"
        self._changed = threading.Condition()  # guards all below; the library calls from its thread
        self._connected = False
        self._trouble: str | None = None
        self._answers: dict[int, ReasonCode] = {}
        self._pending: _Pending | None = None
        self._state_mid: int | None = None
        self._state_refused: str | None = None
        self._silences = 0
        self._client: Client | None = self._start()

    def step(self, position: int) -> int:
        """Publish the first alarm change after `position`; also fails while the broker is away."""
        try:
            changes = self._record.alarm_changes_after(position, limit=1)
        except StoreError as error:
            raise NoticeError(f"nothing could be read to send: {error}") from error
        client = self._connection()
        if not changes:
            if self._state_refused is not None:
                raise NoticeError(self._state_refused)
            return position
        self._deliver(client, changes[0])
        return changes[0].id

    def close(self) -> None:
        """Publish "stopped" and disconnect, so that the last will isn't sent."""
        client, self._client = self._client, None
        if client is None:
            return
        if self._connected:
            topic = state_topic(self._settings.prefix)
            mid = client.publish(topic, STOPPED, qos=1, retain=True).mid
            with self._changed:
                self._changed.wait_for(
                    lambda: mid in self._answers or not self._connected, timeout=GOODBYE
                )
        _stop(client)

    def _connection(self) -> Client:
        with self._changed:
            self._changed.wait_for(
                lambda: self._connected or self._trouble is not None, timeout=self._patience
            )
            if self._client is None or not self._connected:
                raise NoticeError(
                    self._trouble or f"{self._whose} did not answer within {self._patience:g} s"
                )
        return self._client

    def _deliver(self, client: Client, change: StoredChange) -> None:
        topic = alarm_topic(self._settings.prefix, change.key)
        if self._pending is None or self._pending.change != change.id:
            with self._changed:
                self._answers.clear()
            self._pending = self._publish(client, topic, change)
        mid = self._pending.mid
        with self._changed:
            self._changed.wait_for(
                lambda: mid in self._answers or not self._connected, timeout=self._patience
            )
            answer = self._answers.pop(mid, None)
            if answer is None and not self._connected:
                raise NoticeError(self._trouble or f"the connection to {self._whose} was lost")
        if answer is None:
            self._throw_away_a_dead_connection(client)
            raise NoticeError(
                f"{self._whose} did not acknowledge {topic} within {self._patience:g} s"
            )
        self._pending = None
        self._silences = 0
        if answer.is_failure:
            raise NoticeError(f"{self._whose} refused {topic}: {answer}")

    def _publish(self, client: Client, topic: str, change: StoredChange) -> _Pending:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # the library's
        properties.ContentType = "application/json"
        properties.PayloadFormatIndicator = 1  # UTF-8
        text = json.dumps(payload(self._rig, change), ensure_ascii=False, allow_nan=False)
        try:
            sent = client.publish(
                topic, text.encode(errors="replace"), qos=1, retain=True, properties=properties
            )
        except ValueError as error:
            raise NoticeError(f"{topic} can't be published: {error}") from error
        if sent.rc is MQTTErrorCode.MQTT_ERR_QUEUE_SIZE:
            raise NoticeError(f"{self._whose} has not acknowledged what was sent before")
        return _Pending(change.id, sent.mid)

    def _throw_away_a_dead_connection(self, client: Client) -> None:
        # The library may believe in a connection whose thread has died; it never says so itself.
        self._silences += 1
        if self._silences >= SILENCES:
            _stop(client)
            with self._changed:
                self._connected, self._trouble, self._pending = False, None, None
            self._silences = 0
            self._client = self._start()

    def _start(self) -> Client:
        settings = self._settings
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id(settings.prefix, socket.gethostname()),
            protocol=MQTTv5,
        )
        client.suppress_exceptions = True  # one that escapes a callback would end the thread
        client.reconnect_delay_set(min_delay=1, max_delay=30)
        client.max_queued_messages_set(20)
        client.will_set(state_topic(settings.prefix), CUT_OFF, qos=1, retain=True)
        if settings.user is not None:
            client.username_pw_set(settings.user, self._password)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.connect_async(settings.host, settings.port, keepalive=KEEPALIVE)
        client.loop_start()
        return client

    def _on_connect(
        self,
        client: Client,
        userdata: object,
        flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        mid = None
        if not reason.is_failure:
            # On each connect: a last will sent in between would stay.
            topic = state_topic(self._settings.prefix)
            mid = client.publish(topic, RECORDING, qos=1, retain=True).mid
        with self._changed:
            self._connected = mid is not None
            self._state_mid = mid
            self._trouble = (
                None
                if mid is not None
                else f"{self._whose} refused the connection: {reason}. "
                "Look at user and password_file in [notices.mqtt]."
            )
            self._changed.notify_all()

    def _on_connect_fail(self, client: Client, userdata: object) -> None:
        error = sys.exception()  # the library calls this from where it caught it, and keeps it
        why = getattr(error, "strerror", None) or str(error or "no reason given")
        with self._changed:
            self._trouble = f"{self._whose} can't be reached: {why}"
            self._changed.notify_all()

    def _on_disconnect(
        self,
        client: Client,
        userdata: object,
        flags: DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        with self._changed:
            if self._connected:  # else it was refused, and that says more
                self._trouble = f"the connection to {self._whose} was lost: {reason}"
            self._connected = False
            self._changed.notify_all()

    def _on_publish(
        self,
        client: Client,
        userdata: object,
        mid: int,
        reason: ReasonCode,
        properties: Properties,
    ) -> None:
        with self._changed:
            if mid == self._state_mid:
                topic = state_topic(self._settings.prefix)
                self._state_refused = (
                    f"{self._whose} refused {topic}: {reason}" if reason.is_failure else None
                )
            else:
                self._answers[mid] = reason
            self._changed.notify_all()


def _stop(client: Client) -> None:
    """Disconnect and end the library's thread; a thread stuck in a name look-up is left behind."""
    client.disconnect()
    ending = threading.Thread(target=client.loop_stop, daemon=True)
    ending.start()
    ending.join(GOODBYE)
    # Whatever a thread left behind sees later is no news of the next connection.
    client.on_connect = client.on_connect_fail = None
    client.on_disconnect = client.on_publish = None
