"""Rigs that tell a broker of themselves by the shipped code: a record, its state, its alarms."""

import re
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from html import unescape
from pathlib import Path

from longsoak.notify.mqtt import MqttNotices
from longsoak.service.clock import SystemClock
from longsoak.service.mqtt import MqttConnection
from longsoak.service.state import State
from longsoak.store.readback import ReadBack
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.destinations import Mqtt
from longsoak.vocabulary.outlet import Payload, Recording
from longsoak.vocabulary.rig import Rig
from pages.serving import Served, served_by
from processes import COMMAND
from rigs import NEW, NORMAL, Keeper, small_rig
from servers import HOST
from waiting import wait_for

AGAIN = 65.0  # s within which a state is told anew, as `longsoak run` says it
OVERFILL, SILENT = (plan.key for plan in small_rig().alarms)


def shop_rig(name: str) -> Rig:
    """The small rig under a name of its own, at pages of its own."""
    return small_rig(name=name, page=f"http://{name.replace(' ', '-')}.example:8460/")


@dataclass
class TellingRig:
    """One rig: its record, what it says of its state, and its connection."""

    keeper: Keeper
    state: State
    connection: MqttConnection
    notices: MqttNotices
    changes: int = 0

    def measure(self) -> None:
        """Keep a scan of about now."""
        self.keeper.scan({"T core": 20.0})

    def alarm(self, key: str, old: AlarmState = NORMAL, new: AlarmState = NEW) -> None:
        """Let an alarm change, and tell it as the outlet does."""
        self.keeper.change(key, old, new)
        while (after := self.notices.step(self.changes)) != self.changes:
            self.changes = after

    def tell(self) -> None:
        """Tell the state anew."""
        self.connection.ready()
        self.connection.tell_state()

    def says(self, state: Recording = Recording.ON) -> Payload:
        """What it would tell of its state."""
        return self.state.describe(state)


@contextmanager
def telling(
    folder: Path, port: int, rig: Rig, *, prefix: str, measured: bool = True
) -> Iterator[TellingRig]:
    """A rig that tells of itself for the length of a block, then stops on purpose."""
    clock = SystemClock()
    with Keeper(folder, rig, start_ms=time.time_ns() // 1_000_000 - 10_000) as keeper:
        record = ReadBack(folder)
        state = State(
            rig,
            record,
            software="1.2.3",
            since_ms=clock.utc_ms(),
            clock=clock,
            positions=dict,
            measured=record.newest_measured,
            again_within=AGAIN,
        )
        settings = Mqtt(HOST, port, prefix, user=None, password_file=None)
        connection = MqttConnection(settings, password=None, tls=None, describe=state.describe)
        notices = MqttNotices(record, rig, connection, prefix=prefix)
        made = TellingRig(keeper, state, connection, notices)
        try:
            connection.ready()
            if measured:
                made.measure()
                made.tell()
            yield made
        finally:
            connection.close()


@contextmanager
def serve_shop(port: int, *options: str | Path) -> Iterator[Served]:
    """Run `longsoak pages --broker` on a port that is free, and end it."""
    command = [COMMAND, "pages", "--broker", f"{HOST}:{port}", "--port", "0", *options]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    with served_by(process) as served:
        yield served


def shows(served: Served, *words: str) -> str:
    """The sheet, as soon as it has all these words in this order."""
    pattern = re.compile(".*".join(re.escape(part) for part in words), re.DOTALL)

    def look() -> str:
        text = text_of(served.get("/").text)
        return text if pattern.search(text) else ""

    return wait_for(look, what=f"{words} on the sheet")


def text_of(html: str) -> str:
    """The words of a sheet's work, without its tags."""
    main = html.partition("<main")[2].partition("</main>")[0]
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", main)))
