"""The one MQTT connection, which notices and readings share."""

import hashlib
import json
import socket
import ssl
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import NamedTuple

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from longsoak.core.topics import state_topic
from longsoak.service.brokerwords import refused, unanswered, unreachable
from longsoak.service.clock import SystemClock
from longsoak.vocabulary.destinations import Mqtt, MqttVersion
from longsoak.vocabulary.errors import BrokerError
from longsoak.vocabulary.outlet import Payload, Published, Recording

KEEPALIVE = 20  # s; the broker publishes the last will one and a half times that after silence
REMEMBERED = 604_800  # s a broker is to remember that we were connected
SILENCES = 3  # waits in vain after which the connection is thrown away
UNSEEN = 180.0  # s
GOODBYE = 3.0  # s that each part of closing may take
MOST_HELD = 20  # messages on their way; fewer where the broker takes fewer at a time
ROOM = 4  # of them for alarms and the state while readings catch up


def client_id(prefix: str, host: str) -> str:
    """A client's id that no other rig and no other machine has.

    Two clients of one id throw each other out for ever. 20 letters and digits: every broker must
    take up to 23 (MQTT 5.0, 3.1.3.1).
    """
    return "longsoak" + hashlib.sha256(f"{prefix}\n{host}".encode()).hexdigest()[:12]


class _Held(NamedTuple):
    """A message without its answer yet, or with one that nobody has fetched."""

    topic: str
    answer: ReasonCode | None


class MqttConnection:
    """Publishes retained, QoS 1, and knows what was acknowledged. See `longsoak.vocabulary.outlet`.

    A message counts as sent once the broker has acknowledged it without an error. MQTT 3.1.1 has
    no errors to acknowledge with: a broker of that version that denies a topic looks like one that
    takes it. Nothing is given to the library while the connection is down: it would keep it in
    memory and send it later, beside the outlet's own next attempt.

    Parameters
    ----------
    settings : Mqtt
        Where to.
    password : str or None
        The secret.
    tls : ssl.SSLContext or None
        What encrypts; see `longsoak.service.tls`.
    describe : callable
        Takes a state and gives what the state topic says then; called from the library's thread
        too, so it must not raise.
    patience : float
        Longest wait for a connection or an acknowledgement, s.
    unseen : float
        Seconds without a sign of the library, while there is no connection, after which it is
        started anew: its thread may have died of an error of its own.
    """

    def __init__(
        self,
        settings: Mqtt,
        *,
        password: str | None,
        tls: ssl.SSLContext | None,
        describe: Callable[[Recording], Payload],
        patience: float = 10.0,
        unseen: float = UNSEEN,
    ) -> None:
        self._settings = settings
        self._password = password
        self._tls = tls
        self._describe = describe
        self._patience = patience
        self._state = state_topic(settings.prefix)
        self._whose = f"the broker at {settings.host}:{settings.port}"
        self._changed = threading.Condition()  # guards all below; the library calls from its thread
        self._connected = self._refused = False
        self._connections = self._losses = 0
        self._most_held = MOST_HELD
        self._trouble: str | None = None
        self._held: dict[int, _Held] = {}
        self._state_refused: str | None = None
        self._silences = 0
        self._unseen = unseen
        self._monotonic = SystemClock().monotonic
        self._seen_at = self._monotonic()
        self._clients = 0
        self._client: Client | None = self._start()

    def is_up(self) -> bool:
        """Whether there is a connection now, as far as anybody knows."""
        return self._connected

    @property
    def connections(self) -> int:
        """How often a connection was made."""
        return self._connections

    @property
    def losses(self) -> int:
        """How often the broker did not know us from before."""
        return self._losses

    def window(self) -> int:
        """How many messages an outlet of many may have on their way."""
        return max(1, self._most_held - ROOM)

    def ready(self) -> None:
        """Wait for a connection. See `Broker.ready`."""
        with self._changed:
            self._changed.wait_for(
                lambda: self._connected or self._trouble is not None, timeout=self._patience
            )
            if self._client is not None and self._connected:
                return
            says = self._trouble or f"{self._whose} did not answer within {self._patience:g} s"
        self._replace_a_library_not_seen()
        raise BrokerError(says)

    def publish(self, topic: str, payload: Payload) -> Published:
        """Hand over one message. See `Broker.publish`."""
        with self._changed:
            client, number = self._client, self._clients
            if client is None or not self._connected:
                raise BrokerError(self._trouble or f"there is no connection to {self._whose}")
            if sum(held.answer is None for held in self._held.values()) >= MOST_HELD:
                raise BrokerError(f"{self._whose} has not acknowledged what was sent before")
        return Published(topic, number, self._hand_over(client, topic, payload))

    def holds(self, message: Published) -> bool:
        """Whether a message is still to be waited for."""
        with self._changed:
            return message.client == self._clients and message.mid in self._held

    def wait(self, message: Published) -> None:
        """Wait until a message is acknowledged. See `Broker.wait`."""
        mid = message.mid
        with self._changed:
            if message.client != self._clients or mid not in self._held:
                raise BrokerError(f"what became of {message.topic} is not known any more")
            self._changed.wait_for(
                lambda: not self._connected or self._answer(mid) is not None, timeout=self._patience
            )
            answer = self._answer(mid) if message.client == self._clients else None
            if answer is not None:
                del self._held[mid]
                self._silences = 0
            elif not self._connected:
                raise BrokerError(self._trouble or f"the connection to {self._whose} was lost")
        if answer is None:
            self._throw_away_a_dead_connection()
            raise BrokerError(
                f"{self._whose} did not acknowledge {message.topic} within {self._patience:g} s"
            )
        if answer.is_failure:
            raise BrokerError(f"{self._whose} refused {message.topic}: {answer}")

    def tell_state(self, state: Recording = Recording.ON) -> None:
        """Publish the state anew, without waiting for its acknowledgement.

        Raises
        ------
        BrokerError
            There is no connection.
        """
        self.publish(self._state, self._describe(state))

    def check_state(self) -> None:
        """Tell of a broker that does not take the state.

        Raises
        ------
        BrokerError
            The state was refused when it was published last.
        """
        if self._state_refused is not None:
            raise BrokerError(self._state_refused)

    def close(self, *, stopped: bool = True) -> None:
        """Publish that it stopped and disconnect, so that the last will isn't sent.

        Without `stopped` nothing is published: somebody else goes on at once.
        """
        with self._changed:
            client, self._client = self._client, None
        if client is None:
            return
        with suppress(BrokerError):
            if stopped and self._connected:
                mid = self._hand_over(client, self._state, self._describe(Recording.STOPPED))
                with self._changed:
                    self._changed.wait_for(
                        lambda: not self._connected or mid not in self._held, timeout=GOODBYE
                    )
        _stop(client)

    def _answer(self, mid: int) -> ReasonCode | None:
        held = self._held.get(mid)
        return None if held is None else held.answer

    def _hand_over(self, client: Client, topic: str, payload: Payload) -> int:
        text = json.dumps(payload, ensure_ascii=False, allow_nan=False)
        # Not under our lock: the library calls `_on_publish` under the one `publish` waits for.
        try:
            sent = client.publish(
                topic,
                text.encode(errors="replace"),
                qos=1,
                retain=True,
                properties=self._properties(PacketTypes.PUBLISH),
            )
        except ValueError as error:
            raise BrokerError(f"{topic} can't be published: {error}") from error
        if sent.rc is MQTTErrorCode.MQTT_ERR_QUEUE_SIZE:
            raise BrokerError(f"{self._whose} has not acknowledged what was sent before")
        with self._changed:
            early = self._answer(sent.mid)
            self._held[sent.mid] = _Held(topic, early)
            if early is not None:
                self._answered(sent.mid, early)
        return sent.mid

    def _answered(self, mid: int, reason: ReasonCode) -> None:
        # Called with the lock. An answer may come before it is known what was sent.
        held = self._held.get(mid)
        self._held[mid] = _Held("" if held is None else held.topic, reason)
        if held is not None and held.topic == self._state:  # nobody waits for it
            del self._held[mid]
            self._silences = 0
            self._state_refused = (
                f"{self._whose} refused {self._state}: {reason}" if reason.is_failure else None
            )
        self._changed.notify_all()

    def _properties(self, packet: int) -> Properties | None:
        if self._settings.version is not MqttVersion.V5:
            return None
        properties = Properties(packet)  # type: ignore[no-untyped-call]  # the library's
        properties.ContentType = "application/json"
        properties.PayloadFormatIndicator = 1  # UTF-8
        return properties

    def _throw_away_a_dead_connection(self) -> None:
        # The library may believe in a connection whose thread has died; it never says so itself.
        with self._changed:
            self._silences += 1
            client = self._client
            if self._silences < SILENCES or client is None:
                return
            self._silences = 0
        self._replace(client)

    def _replace_a_library_not_seen(self) -> None:
        # It tries every half minute at least, and tells of each try.
        with self._changed:
            client = self._client
            if client is None or self._monotonic() - self._seen_at < self._unseen:
                return
        self._replace(client)

    def _replace(self, client: Client) -> None:
        with self._changed:
            if client is not self._client:  # another outlet's thread was here before
                return
            self._client, self._connected, self._trouble = None, False, None
            self._held.clear()
            self._clients += 1
        _stop(client)
        self._client = self._start()

    def _start(self) -> Client:
        settings = self._settings
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id(settings.prefix, socket.gethostname()),
            protocol=MQTTv5 if settings.version is MqttVersion.V5 else MQTTv311,
            clean_session=None if settings.version is MqttVersion.V5 else False,
        )
        client.suppress_exceptions = True  # one that escapes a callback would end the thread
        client.reconnect_delay_set(min_delay=1, max_delay=30)
        client.max_queued_messages_set(2 * MOST_HELD)
        client.will_set(
            self._state,
            json.dumps(self._describe(Recording.CUT_OFF), ensure_ascii=False).encode(
                errors="replace"
            ),
            qos=1,
            retain=True,
            properties=self._properties(PacketTypes.WILLMESSAGE),
        )
        if settings.user is not None:
            client.username_pw_set(settings.user, self._password)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        if settings.version is MqttVersion.V5:
            # A session holds nothing of ours; it only tells a broker that has lost its memory.
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # the library's
            properties.SessionExpiryInterval = REMEMBERED
            client.connect_async(
                settings.host,
                settings.port,
                keepalive=KEEPALIVE,
                clean_start=False,
                properties=properties,
            )
        else:
            client.connect_async(settings.host, settings.port, keepalive=KEEPALIVE)
        self._seen_at = self._monotonic()
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
        if not reason.is_failure:
            # On each connect, and before anybody else: a last will sent in between would stay.
            with suppress(BrokerError):  # as many unanswered as the library takes
                self._hand_over(client, self._state, self._describe(Recording.ON))
        with self._changed:
            self._seen_at = self._monotonic()
            self._connected = not reason.is_failure
            self._connections += self._connected
            self._losses += self._connected and not flags.session_present
            # What a broker takes at a time, MQTT 5.0, 3.2.2.3.3; absent in 3.1.1, and for "many".
            self._most_held = min(MOST_HELD, getattr(properties, "ReceiveMaximum", MOST_HELD))
            self._refused = not self._connected
            self._trouble = None if self._connected else refused(self._whose, str(reason))
            self._changed.notify_all()

    def _on_connect_fail(self, client: Client, userdata: object) -> None:
        error = sys.exception()  # the library calls this from where it caught it, and keeps it
        why = unreachable(self._whose, error, encrypted=self._tls is not None)
        with self._changed:
            self._seen_at = self._monotonic()
            self._trouble = why
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
            self._seen_at = self._monotonic()
            if self._connected:
                self._trouble = f"the connection to {self._whose} was lost: {reason}"
            elif not self._refused:  # that says more
                self._trouble = unanswered(self._whose)
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
            self._answered(mid, reason)


def _stop(client: Client) -> None:
    """Disconnect and end the library's thread; a thread stuck in a name look-up is left behind."""
    # Whatever it sees from here on, if its thread is left behind too, is no news of the next one.
    client.on_connect = client.on_connect_fail = None
    client.on_disconnect = client.on_publish = None
    client.disconnect()
    ending = threading.Thread(target=client.loop_stop, daemon=True)
    ending.start()
    ending.join(GOODBYE)
