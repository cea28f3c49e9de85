"""A subscriber that counts: ``python -m bench.manyrigs.counting MQTT FILE``.

It hears every reading of every rig until its input ends, then writes what it heard into the file, a
line each: rig, probe, run and scan.
"""

import json
import sys
import threading
from pathlib import Path

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from servers import HOST

heard: set[tuple[str, str, str, int]] = set()
ready = threading.Event()


def came(_client: Client, _userdata: object, message: MQTTMessage) -> None:
    """Note one reading."""
    said = json.loads(message.payload)
    heard.add((said["rig"], said["probe"], said["run"], said["scan"]))


def connected(
    client: Client,
    _userdata: object,
    _flags: ConnectFlags,
    _reason: ReasonCode,
    _properties: Properties | None,
) -> None:
    """Ask for all readings."""
    client.subscribe("fleet/+/probes/+", qos=1)


client = Client(CallbackAPIVersion.VERSION2)
client.on_message = came
client.on_connect = connected
client.on_subscribe = lambda *_: ready.set()
client.connect(HOST, int(sys.argv[1]))
client.loop_start()
assert ready.wait(10)
sys.stdout.write("ready\n")
sys.stdout.flush()
for _ in sys.stdin:
    sys.stdout.write(f"{len(heard)}\n")
    sys.stdout.flush()
client.disconnect()
client.loop_stop()
Path(sys.argv[2]).write_text("".join("\t".join(map(str, one)) + "\n" for one in heard))
