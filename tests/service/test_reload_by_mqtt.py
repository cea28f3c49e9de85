"""What a broker hears of a reload: every reading, and of no end but one that is."""

import json
import signal
from pathlib import Path

from longsoak.store.reader import Record
from processes import longsoak
from servers import Listener, broker, listener
from service.reloads import change, go_on, measuring, versions_in_turn, whole
from waiting import wait_for
from whole.thermorig import lay_out

BY_MQTT = """
[notices.mqtt]
host = "127.0.0.1"
port = {port}
prefix = "rig"

[forward.mqtt]
"""


def states(heard: Listener, prefix: str) -> list[str]:
    """What a rig said of itself, each once in turn."""
    said = [json.loads(text)["state"] for topic, text in heard.live if topic == f"{prefix}/state"]
    return [state for state, before in zip(said, [None, *said], strict=False) if state != before]


def test_the_broker_gets_every_reading_across_a_reload_and_hears_of_no_end(tmp_path: Path) -> None:
    with broker(tmp_path / "broker") as server, listener(server.port) as heard:
        rig_file = lay_out(tmp_path / "rig", more=BY_MQTT.format(port=server.port))
        with measuring(rig_file) as run:
            wait_for(lambda: states(heard, "rig") == ["recording"], what="its state")
            change(rig_file, "every = 0.2", "every = 0.4", 1)
            assert longsoak("reload", rig_file).returncode == 0
            go_on(rig_file)
            assert states(heard, "rig") == ["recording"]
            change(rig_file, 'prefix = "rig"', 'prefix = "other"')
            assert longsoak("reload", rig_file).returncode == 0
            wait_for(lambda: states(heard, "other") == ["recording"], what="its state there")
            go_on(rig_file)
            assert run.stop() == 0
        kept = {
            (reading.probe, scan.run, scan.id)
            for scan in Record(tmp_path / "rig" / "record").scans_after(0, limit=10_000)
            for reading in scan.readings
        }

        def missing() -> set[tuple[str, str, int]]:
            told = [json.loads(text) for topic, text in heard.live if "/probes/" in topic]
            return kept - {(one["probe"], one["run"], one["scan"]) for one in told}

        wait_for(lambda: not missing(), what="every reading", limit=20)
        # Whoever looks under the old prefix is not left with a rig that seems to record.
        assert states(heard, "rig") == ["recording", "stopped"]
        assert states(heard, "other") == ["recording", "stopped"]


STOPPED_MIDWAY = """
import logging, os, signal, sys
from longsoak.service.recorder import Recorder
asked = []
def midway(self):
    asked.append(1)
    if len(asked) == 2:  # the first time is before the outlets are asked to end
        os.kill(os.getpid(), signal.SIGTERM)
Recorder.why_not_now = midway
logging.basicConfig(level=logging.INFO, format="%(message)s")
from pathlib import Path
from longsoak.service.run import run
run(Path(sys.argv[1]))
"""


def test_a_stop_in_the_midst_of_a_reload_is_told_to_the_broker(tmp_path: Path) -> None:
    """By then the outlets have closed as if the rig went on."""
    with broker(tmp_path / "broker") as server, listener(server.port) as heard:
        rig_file = lay_out(tmp_path / "rig", more=BY_MQTT.format(port=server.port))
        with measuring(rig_file, program=STOPPED_MIDWAY) as run:
            wait_for(lambda: states(heard, "rig") == ["recording"], what="its state")
            change(rig_file, "every = 0.2", "every = 0.4", 1)
            run.process.send_signal(signal.SIGHUP)
            run.says("everything measured is in the record")
            assert run.process.wait(30) == 0
        wait_for(lambda: states(heard, "rig")[-1] == "stopped", what="the end", limit=10)
        assert states(heard, "rig") == ["recording", "stopped"]
    whole(tmp_path / "rig")
    assert versions_in_turn(tmp_path / "rig") == [1]
