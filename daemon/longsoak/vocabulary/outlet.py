"""The contract between the service and what sends the record elsewhere."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol


class Recording(StrEnum):
    """Whether a rig is being recorded; the values are the words of the state.

    It is, once a scan that brought a value has been read back from the record, and for as long as
    the newest of them is young. "Cut off" is the last will, which the broker tells.
    """

    ON = "recording"
    NOTHING_NEW = "not recording"
    STOPPED = "stopped"
    CUT_OFF = "cut off"


class Outlet(Protocol):
    """Sends what the record holds to one place outside: a database, a mail server, a broker.

    Called from one thread at a time. It never delivers on its own: the caller asks for a step,
    keeps the position that comes back, and decides when to try again.
    """

    name: str  # also that of its cursor in the record

    def step(self, position: int) -> int:
        """Send some of what the record holds after `position`.

        Every wait inside has a limit of 10 s.

        Returns
        -------
        int
            The new position; the same if there was nothing to send. Below `position` only where
            what was sent from there on has to be sent once more.

        Raises
        ------
        ForwardError, NoticeError
            It was not accepted. Nothing has moved; call again later with the same position.
        """
        ...

    def close(self) -> None:
        """Say good-bye to the other end, within 10 s. Never raises; safe to call twice."""
        ...


Payload = Mapping[str, object]  # what a JSON object holds


@dataclass(frozen=True, slots=True)
class Published:
    """One message on its way: `client` counts connections thrown away, `mid` is the library's."""

    topic: str
    client: int
    mid: int


class Broker(Protocol):
    """The process's one connection to an MQTT broker, as its outlets see it.

    Safe from any thread. Messages of one thread go out in the order they were published. A message
    whose connection is lost is sent again by itself once there is another one.
    """

    def is_up(self) -> bool:
        """Whether there is a connection now, as far as anybody knows."""
        ...

    @property
    def connections(self) -> int:
        """How often a connection was made; it grows when one had to be made anew."""
        ...

    @property
    def losses(self) -> int:
        """How often a connection found a broker that did not know us from before.

        Whatever it had retained of ours may be gone then.
        """
        ...

    def window(self) -> int:
        """How many messages of many an outlet may have on their way, so that others have room."""
        ...

    def ready(self) -> None:
        """Wait for a connection.

        Raises
        ------
        BrokerError
            There is none, and why.
        """
        ...

    def publish(self, topic: str, payload: Payload) -> Published:
        """Hand over one retained message, QoS 1, as JSON.

        Raises
        ------
        BrokerError
            There is no connection, or too much waits to be acknowledged; nothing was handed over.
        """
        ...

    def holds(self, message: Published) -> bool:
        """Whether a message, once published, is still to be waited for."""
        ...

    def wait(self, message: Published) -> None:
        """Wait until the broker has acknowledged a message.

        Raises
        ------
        BrokerError
            It was refused, or no answer came; `holds` says whether it may come yet.
        """
        ...
