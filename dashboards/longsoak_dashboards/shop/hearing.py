"""The broker of a shop: what its rigs publish is heard for as long as the pages run."""

import ssl
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from longsoak_dashboards.clock import now_ms, running
from longsoak_dashboards.shop.book import ALARMS, STATE, Book, News

PATIENCE = 10.0  # s for a connection
KEEPALIVE = 20  # s
SOONEST, LATEST = 1.0, 30.0  # s between two tries
DEEPEST = 6  # levels of a prefix that are heard without knowing it
LOOK = 0.25  # s a look waits for something to come
QUIET = 0.02  # s without a message after which one more rig's alarms are asked for
GOODBYE = 3.0  # s


@dataclass(frozen=True, slots=True)
class Line:
    """How it stands with the broker: up or not, since when (UTC ms; None: never), and why not."""

    name: str
    up: bool
    since_ms: int | None
    why: str = ""


class ShopHearing:
    """Hears the states and alarms of all rigs at one broker, and comes back for ever.

    Readings are not subscribed to: hundreds of rigs would send thousands of messages a minute that
    nobody is shown. Alarms are asked for prefix by prefix, once it is known and while nothing else
    comes: a broker keeps a message for each alarm there ever was, and drops what does not fit into
    its queue for one client.

    Parameters
    ----------
    host, port, prefix
        Where the broker is, and the first part of the topics that count; empty is any.
    user, password
        What it asks for, or None.
    tls : ssl.SSLContext or None
        What encrypts.
    book : Book
        Keeps what is heard.
    tell : callable
        Is told what each message changed; called from a thread of its own.
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
        book: Book,
        tell: Callable[[News], None],
    ) -> None:
        self._host, self._port, self._prefix = host, port, prefix
        self._user, self._password, self._tls = user, password, tls
        self._book, self._tell = book, tell
        shown = f"[{host}]" if ":" in host else host
        self._name = f"{shown}:{port}"
        self._line = Line(self._name, up=False, since_ms=None)
        self._up = False  # known to the thread alone, as all below
        self._trouble = ""
        self._heard = False
        self._to_ask: OrderedDict[str, None] = OrderedDict()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)

    @property
    def line(self) -> Line:
        """How it stands with the broker."""
        return self._line

    def start(self) -> None:
        """Begin to hear."""
        self._thread.start()

    def close(self) -> None:
        """Disconnect, and end."""
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join(GOODBYE)

    def _run(self) -> None:
        wait = SOONEST
        while not self._ending.is_set():
            self._trouble = ""
            try:
                was_up = self._connection()
            except Exception as error:  # whatever the library raises, it is tried again
                was_up = self._up
                self._trouble = _why(error)
            self._up = False
            if self._ending.is_set():
                return
            self._say(up=False, why=self._trouble or "it closed the connection")
            wait = SOONEST if was_up else min(LATEST, 2 * wait)
            self._ending.wait(wait)

    def _connection(self) -> bool:
        """One connection from its beginning to its end; return whether it ever was one."""
        client = Client(CallbackAPIVersion.VERSION2)
        client.suppress_exceptions = True
        if self._user is not None:
            client.username_pw_set(self._user, self._password)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        client.connect_timeout = PATIENCE
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        self._to_ask.clear()
        began = running()
        client.connect(self._host, self._port, keepalive=KEEPALIVE)
        ever = False
        try:
            while not self._ending.is_set():
                self._heard = False
                wait = QUIET if self._to_ask else LOOK
                if client.loop(wait) is not MQTTErrorCode.MQTT_ERR_SUCCESS:
                    break
                ever = ever or self._up
                if not ever and running() - began > PATIENCE:
                    self._trouble = f"it did not answer within {PATIENCE:g} s"
                    break
                if self._to_ask and not self._heard:
                    prefix, _ = self._to_ask.popitem(last=False)
                    client.subscribe(f"{prefix}{ALARMS}+", qos=1)
        finally:
            client.on_disconnect = None
            if client.is_connected():
                client.disconnect()
        return ever

    def _topics(self) -> list[tuple[str, int]]:
        """Those of states: a wildcard stands for one level, and how many there are nobody says."""
        start = [self._prefix] if self._prefix else []
        depths = range(DEEPEST + 1) if start else range(1, DEEPEST + 1)
        return [("/".join([*start, *["+"] * depth]) + STATE, 1) for depth in depths]

    def _say(self, *, up: bool, why: str = "") -> None:
        before = self._line
        same = before.up == up and before.since_ms is not None
        since = before.since_ms if same else now_ms()
        self._line = Line(self._name, up, since, why)
        if self._line != before:
            self._tell(News.SEEN)

    def _on_connect(
        self,
        client: Client,
        userdata: object,
        flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            hint = "Look at --broker-user and --broker-password-file."
            self._trouble = f"it refused the connection: {reason}. {hint}"
            return
        self._up = True
        client.subscribe(self._topics())
        for prefix in self._book.prefixes():
            self._to_ask[prefix] = None
        self._say(up=True)

    def _on_disconnect(
        self,
        client: Client,
        userdata: object,
        flags: DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if not self._trouble and reason.is_failure:
            self._trouble = f"the connection was lost: {reason}"

    def _on_subscribe(
        self,
        client: Client,
        userdata: object,
        mid: int,
        reasons: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            self._say(up=True, why="it does not let this user hear all that the rigs publish")

    def _on_message(self, client: Client, userdata: object, message: MQTTMessage) -> None:
        self._heard = True
        heard = self._book.hear(
            message.topic,
            bytes(message.payload),
            kept=message.retain,
            now_ms=now_ms(),
            running=running(),
        )
        if heard.ask is not None:
            self._to_ask[heard.ask] = None
        if heard.news is not News.NOTHING:
            self._tell(heard.news)


def _why(error: Exception) -> str:
    """Why there is no connection, as the system says it."""
    said = getattr(error, "verify_message", None) or getattr(error, "strerror", None) or str(error)
    return f"{said or type(error).__name__}"
