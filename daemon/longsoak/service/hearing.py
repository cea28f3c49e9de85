"""A rig's state as a broker tells it. Loads the MQTT library: only where a broker is asked."""

import json
import ssl
import threading

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from longsoak.core.topics import state_topic
from longsoak.core.watching import Told, What, is_newer, told_of
from longsoak.core.wording import age_words
from longsoak.service.clock import Clock
from longsoak.service.statesources import NoStateError

PATIENCE = 10.0  # s for a connection
KEPT = 5.0  # s that what a broker has kept may take to come
KEEPALIVE = 20  # s


class Hearing:
    """Hears the state topic of one rig. See `longsoak.service.statesources.Source`.

    What the broker had kept comes first and may be of any age; what comes after is fresh.

    Parameters
    ----------
    host, port, prefix
        Where the broker is, and the first part of the rig's topics.
    user, password
        What it asks for, or None.
    tls : ssl.SSLContext or None
        What encrypts.
    clock : Clock
        The clocks.
    """

    def __init__(
        self,
        host: str,
        port: int,
        *,
        prefix: str,
        user: str | None,
        password: str | None,
        tls: ssl.SSLContext | None,
        clock: Clock,
    ) -> None:
        self.name = f"The broker at {host}:{port}"
        self._host, self._port = host, port
        self._topic = state_topic(prefix)
        self._clock = clock
        self._changed = threading.Condition()  # guards all below; the library's thread calls too
        self._told: Told | None = None
        self._trouble: NoStateError | None = None
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.suppress_exceptions = True  # one that escapes would end the library's thread
        if user is not None:
            self._client.username_pw_set(user, password)
        if tls is not None:
            self._client.tls_set_context(tls)
        self._client.connect_timeout = PATIENCE
        self._client.on_connect = self._on_connect
        self._client.on_message = self._on_message
        self._running = False

    def look(self, *, wait: float) -> Told:
        """The state the broker has kept, or the first one that comes. See `Source.look`."""
        self._forget()
        wait = max(wait, KEPT)
        if self._running:  # what it kept is told to whoever subscribes anew
            self._client.subscribe(self._topic, qos=1)
        else:
            self._connect()
        with self._changed:
            self._changed.wait_for(lambda: self._told or self._trouble, timeout=wait)
            told, trouble = self._told, self._trouble
        if told is not None:
            return told
        if trouble is not None:
            raise trouble
        if not self._client.is_connected():  # the library goes on trying, and tells nobody
            raise NoStateError(What.UNREACHABLE, f"{self.name} can't be reached any more.")
        raise NoStateError(
            What.NOTHING,
            f"{self.name} knows nothing of {self._topic}, and nothing came within "
            f"{age_words(wait)}. Look at the prefix; else no rig has told its state there since "
            "the broker was started.",
        )

    def newer(self, first: Told, *, wait: float) -> Told | None:
        """The next state that tells of a newer scan. See `Source.newer`."""
        until = self._clock.monotonic() + max(wait, first.again)

        def told() -> bool:
            return self._told is not None and is_newer(self._told, first)

        with self._changed:
            found = self._changed.wait_for(told, timeout=until - self._clock.monotonic())
            return self._told if found else None

    def close(self) -> None:
        """Disconnect."""
        if self._running:
            self._client.disconnect()
            self._client.loop_stop()

    def _forget(self) -> None:
        with self._changed:
            self._told = self._trouble = None

    def _connect(self) -> None:
        try:
            self._client.connect(self._host, self._port, keepalive=KEEPALIVE)
        except (OSError, ValueError) as error:
            why = (
                getattr(error, "verify_message", None) or getattr(error, "strerror", None) or error
            )
            raise NoStateError(What.UNREACHABLE, f"{self.name} can't be reached: {why}.") from error
        self._client.loop_start()
        self._running = True

    def _on_connect(
        self,
        client: Client,
        userdata: object,
        flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if not reason.is_failure:
            client.subscribe(self._topic, qos=1)
            return
        with self._changed:
            self._trouble = NoStateError(
                What.UNREACHABLE, f"{self.name} refused the connection: {reason}."
            )
            self._changed.notify_all()

    def _on_message(self, client: Client, userdata: object, message: MQTTMessage) -> None:
        with self._changed:
            try:
                self._told = told_of(json.loads(message.payload), fresh=not message.retain)
            except ValueError as error:
                says = f"What lies at {self._topic} is no state of a rig: {error}."
                self._trouble = NoStateError(What.NOTHING, says)
            self._changed.notify_all()
