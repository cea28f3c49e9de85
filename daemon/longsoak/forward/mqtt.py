"""Every reading by MQTT, kept by a cursor over the record."""

import threading
from collections import deque
from collections.abc import Callable, Iterator
from typing import NamedTuple

from longsoak.core.topics import probe_topic
from longsoak.forward.readings import Payloads
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import BrokerError, ForwardError, StoreError
from longsoak.vocabulary.outlet import Broker, Payload, Published
from longsoak.vocabulary.rig import Rig

OVERLAP = 10.0  # s; what was sent so shortly before a connection was lost is sent again
STEP = 1.0  # s of the rate that one step may use up
LONGEST_WAIT = 5.0  # s a step waits until the rate allows more


class _Message(NamedTuple):
    scan: int
    last: bool  # whether it ends its scan
    published: Published


class MqttReadings:
    """Publishes every reading in order, at least once. See `longsoak.vocabulary.outlet`.

    The position moves past a scan once all its readings are acknowledged. A broker that was killed
    has forgotten what it had acknowledged and not passed on, and perhaps what it retained. So with
    every new connection comes again what was sent within `OVERLAP` before; and before that, to a
    broker that does not know us any more, the last reading of every probe.

    While there is no connection nothing is wrong with readings: they wait, and the connection's own
    outlet, that of notices, tells.

    Parameters
    ----------
    record : Record
        What to copy.
    rig : Rig
        Says what the probes are.
    broker : Broker
        Where to; whoever made it closes it.
    prefix : str
        The first part of every topic.
    rate : float
        Readings a second at most, so that a month caught up with floods nobody.
    time_sure : callable
        Takes a scan's id and says whether its time is known.
    monotonic : callable
        Gives seconds that only rise.
    """

    name = "readings"

    def __init__(
        self,
        record: Record,
        rig: Rig,
        broker: Broker,
        *,
        prefix: str,
        rate: float,
        time_sure: Callable[[int], bool],
        monotonic: Callable[[], float],
    ) -> None:
        self._record = record
        self._payloads = Payloads(rig)
        self._broker = broker
        self._prefix = prefix
        self._rate = rate
        self._time_sure = time_sure
        self._monotonic = monotonic
        self._pause = threading.Event()
        self._allowed, self._allowed_at = 0.0, monotonic() - STEP
        self._window: deque[_Message] = deque()
        self._connection = self._losses = 0
        self._last: dict[str, Payload] = {}  # by topic
        # When each step ended well, and where it began.
        self._sent: deque[tuple[float, int]] = deque()

    def step(self, position: int) -> int:
        """Publish about a second's worth of readings after scan `position`."""
        if not self._broker.is_up():
            return position
        try:
            self._hear_out()
            connection = self._broker.connections
            if connection != self._connection:
                began = self._begin_again(position)
                self._connection = connection
                if began < position:
                    return began
            reached = self._send(position)
        except StoreError as error:
            raise ForwardError(f"nothing could be read to send: {error}") from error
        except BrokerError as error:
            if not self._broker.is_up():
                return position
            raise ForwardError(str(error)) from error
        if reached != position:
            self._remember(position)
        return reached

    def close(self) -> None:
        """Wait for nothing any more; the connection is not its own."""
        self._pause.set()

    def _hear_out(self) -> None:
        """Wait for what a step that failed has left on its way, so that it can't grow."""
        while self._window:
            message = self._window[0].published
            if self._broker.holds(message):
                self._broker.wait(message)
            self._window.popleft()

    def _begin_again(self, position: int) -> int:
        """Send the last readings to a broker that lost them; return where to go on from."""
        losses = self._broker.losses
        for topic, payload in self._last.items() if losses != self._losses else ():
            self._settle_window(leave=self._broker.window() - 1)
            self._hand_over(topic, payload, scan=0, last=False)
        self._settle_window(leave=0)
        self._losses = losses
        began = min((began for _, began in self._sent), default=position)
        self._sent.clear()
        return min(began, position)

    def _send(self, position: int) -> int:
        """Publish what the rate allows after `position`; return the last scan acknowledged whole.

        Raises
        ------
        BrokerError
            No scan was acknowledged before something went wrong.
        """
        self._wait_for_the_rate()
        reached = position
        try:
            for scan, last, topic, payload in self._readings(position):
                reached = self._settle_window(leave=self._broker.window() - 1) or reached
                self._hand_over(topic, payload, scan=scan, last=last)
            reached = self._settle_window(leave=0) or reached
        except BrokerError:
            if reached == position:
                raise
        return reached

    def _readings(self, position: int) -> Iterator[tuple[int, bool, str, Payload]]:
        while self._allowed >= 1:
            page = self._record.scans_after(position, limit=max(1, int(self._allowed / 8)))
            for scan in page:
                position = scan.id
                sure = self._time_sure(scan.id)
                for number, reading in enumerate(scan.readings, 1):
                    self._allowed -= 1
                    yield (
                        scan.id,
                        number == len(scan.readings),
                        probe_topic(self._prefix, reading.probe),
                        self._payloads.of(reading, run=scan.run, scan=scan.id, time_sure=sure),
                    )
                if self._allowed < 1:
                    return
            if not page:
                return

    def _hand_over(self, topic: str, payload: Payload, *, scan: int, last: bool) -> None:
        self._window.append(_Message(scan, last, self._broker.publish(topic, payload)))
        self._last[topic] = payload

    def _settle_window(self, *, leave: int) -> int:
        """Wait until at most `leave` messages are on their way; return the last scan done, or 0."""
        reached = 0
        while len(self._window) > leave:
            message = self._window[0]
            self._broker.wait(message.published)
            self._window.popleft()
            if message.last:
                reached = message.scan
        return reached

    def _wait_for_the_rate(self) -> None:
        now = self._monotonic()
        most = self._rate * STEP
        self._allowed = min(most, self._allowed + (now - self._allowed_at) * self._rate)
        self._allowed_at = now
        wanted = min(most, max(1.0, most / 4))
        if self._allowed < wanted:
            self._pause.wait(min(LONGEST_WAIT, (wanted - self._allowed) / self._rate))
            again = self._monotonic()
            self._allowed += (again - now) * self._rate
            self._allowed_at = again

    def _remember(self, began: int) -> None:
        now = self._monotonic()
        self._sent.append((now, began))
        while self._sent[0][0] < now - OVERLAP:
            self._sent.popleft()
