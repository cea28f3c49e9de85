"""A broker that takes readings more slowly than they wait: told, and by the real process."""

from pathlib import Path

import pytest

from cli.keeping import kept
from longsoak.store.reader import Record
from longsoak.store.writer import Batch
from processes import running
from servers import broker
from waiting import wait_for
from whole.thermorig import lay_out

pytestmark = pytest.mark.long


SLOW = """
[notices.mqtt]
host = "127.0.0.1"
port = {port}
prefix = "rig"

[forward.mqtt]
rate = 1

[[alarms]]
watch = "forwarding behind"
on_delay = 0
"""
GOOD = {"T0": 20.0, "T1": 21.0, "T2": 22.0, "T3": 23.0}


def test_readings_that_wait_for_hours_while_the_broker_takes_some_are_an_alarm(
    tmp_path: Path,
) -> None:
    with broker(tmp_path / "broker") as server:
        rig_file = lay_out(tmp_path / "rig", more=SLOW.format(port=server.port))
        rig_file.write_text(rig_file.read_text().replace("every = 0.2", "every = 60"))
        with kept(rig_file) as record:
            for ago in range(200, 100, -1):
                record.scan(GOOD, ago=60.0 * ago)
            record.writer.commit(Batch(cursors={"readings": (0, 0)}))
        key = "forwarding behind:readings"
        with running(rig_file) as run:
            run.says(f"alarm {key}: new, not acknowledged")
            said = wait_for(lambda: Record(tmp_path / "rig" / "record").alarms().get(key), what=key)
            assert said is not None
            assert "scans not sent yet, the oldest taken 3 h" in said.says
            assert run.stop() == 0
    assert "outlet away" not in run.log
