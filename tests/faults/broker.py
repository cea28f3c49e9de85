"""A real broker, killed at random while a rig sends to it; a subscriber must miss nothing."""

import json
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

import servers
from faults.chance import drawn_from
from faults.outcome import Outcome
from faults.sender import PREFIX
from faults.sending import Sending, come_to_rest, kill_at_random
from longsoak.core.topics import alarm_topic, probe_topic
from longsoak.store.reader import Record
from servers import HOST, free_port
from waiting import wait_for

SECONDS = 180.0
DAY = 86400  # s
# Whatever it takes is on disk before anybody can ask, as far as this broker can be told to.
PERSISTENCE = """persistence true
persistence_location {folder}/
autosave_on_changes true
autosave_interval 1
max_queued_messages 0
"""


def campaign(*, seed: int, short: bool) -> Outcome:
    """Kill the broker, and the process that sends; compare what a subscriber has heard."""
    chance = drawn_from("broker", seed)
    killed = restarted = 0
    with tempfile.TemporaryDirectory(prefix="longsoak-broker-") as place:
        folder = Path(place) / "record"
        broker = _Broker(Path(place) / "broker", port=free_port())
        broker.start()
        record = Record(folder)
        with _subscriber(broker.port) as heard:
            sending = Sending(folder, {"port": broker.port})
            try:
                if short:
                    wait_for(
                        lambda: len(heard.get(probe_topic(PREFIX, "T core"), ())) > 10,
                        what="readings",
                    )
                    broker.kill()
                    broker.start()
                    killed = 1
                else:
                    killed, restarted = kill_at_random(
                        broker, sending, seconds=SECONDS, chance=chance
                    )
                sending.write_no_more()
                missing = come_to_rest(lambda: missing_from(record, heard))
                sent = sum(map(len, expected(record).values()))
                again = sum(map(len, heard.values())) - sent
            finally:
                sending.kill()
                broker.kill()
    return Outcome(
        "broker",
        f"a broker killed {killed} times and the process that sends {restarted} times at random, "
        f"while {sent} readings and changes of alarms were published",
        len(missing),
        missing[0]
        if missing
        else f"A subscriber has heard each, and each first in its order, {again} again",
    )


Messages = dict[str, list[str]]  # by topic, what tells one from another


def expected(record: Record) -> Messages:
    """What must be heard of a record, by topic and in order."""
    found: Messages = defaultdict(list)
    for scan in record.scans_after(0, limit=10_000_000):
        for reading in scan.readings:
            found[probe_topic(PREFIX, reading.probe)].append(f"{scan.id}: {reading.raw}")
    for change in record.alarm_changes_after(0, limit=10_000_000):
        found[alarm_topic(PREFIX, change.key)].append(change.says)
    return found


def missing_from(record: Record, heard: Messages) -> list[str]:
    wrong = []
    for topic, messages in expected(record).items():
        first_heard = list(dict.fromkeys(heard.get(topic, ())))  # without what came again
        if first_heard == messages:
            continue
        never = [message for message in messages if message not in set(first_heard)]
        wrong += [f"{topic}: {message!r} was never heard" for message in never]
        if not never:
            wrong.append(f"{topic}: heard in another order")
    return wrong


class _Broker(servers.Broker):
    """A broker that remembers over a restart what it can."""

    def __init__(self, folder: Path, *, port: int) -> None:
        super().__init__(folder, port=port)
        with (folder / "broker.conf").open("a") as settings:
            settings.write(PERSISTENCE.format(folder=folder))


@contextmanager
def _subscriber(port: int) -> Iterator[Messages]:
    """Somebody whose subscription outlives the connection, and who comes back by himself."""
    heard: Messages = defaultdict(list)

    def take(_client: Client, _userdata: object, message: MQTTMessage) -> None:
        content = json.loads(message.payload)
        said = (
            content["says"]
            if "alarm" in content
            else f"{content.get('scan')}: {content.get('raw')}"
        )
        heard[message.topic].append(said)

    def subscribe(
        client: Client,
        _userdata: object,
        _flags: ConnectFlags,
        _reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        client.subscribe(f"{PREFIX}/#", qos=1)

    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id="subscriber",
        protocol=MQTTv5,
        reconnect_on_failure=True,
    )
    lasting = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # the library's
    lasting.SessionExpiryInterval = DAY
    client.on_message = take
    client.on_connect = subscribe
    client.reconnect_delay_set(min_delay=1, max_delay=1)
    client.connect(HOST, port, keepalive=20, clean_start=False, properties=lasting)
    client.loop_start()
    try:
        yield heard
    finally:
        client.disconnect()
        client.loop_stop()
