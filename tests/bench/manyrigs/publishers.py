"""Many rigs in one process, each with a record and the shipped outlets; only measuring is left out.

``python -m bench.manyrigs.publishers FOLDER FIRST COUNT MQTT URL`` keeps invented readings at their
usual periods and steps each rig's outlets as `longsoak run` does: notices, readings and state over
a connection of its own, and the database. It takes a line for each thing it is to do, and answers
with one: ``alarm N`` lets an alarm of a rig change, ``often X`` lets all measure X times as often,
``how`` tells what was kept and how late the latest was since it was asked last, ``stop`` sends what
waits and ends.
"""

import heapq
import json
import queue
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from bench.manyrigs.layout import ALARM, EACH, PERIODS, prefix_of, rig_text
from longsoak.forward.database import DatabaseForwarder
from longsoak.forward.mqtt import MqttReadings
from longsoak.notify.mqtt import MqttNotices
from longsoak.rigfile.load import parse
from longsoak.service.clock import SystemClock
from longsoak.service.mqtt import MqttConnection
from longsoak.service.state import State
from longsoak.store.readback import ReadBack
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.errors import ForwardError, NoticeError
from longsoak.vocabulary.outlet import Outlet
from rigs import Keeper

STATE_EVERY = 60.0  # s, as `longsoak run` has it
NAMES = {"wood": [f"T{n}" for n in range(EACH)], "pins": [f"P{n}" for n in range(EACH)]}


def now_ms() -> int:
    """UTC now, ms since 1970."""
    return time.time_ns() // 1_000_000


@dataclass
class Publisher:
    """One rig: where its readings are kept, and what sends them."""

    keeper: Keeper
    connection: MqttConnection
    outlets: list[Outlet]
    positions: list[int]
    kept: int = 0
    standing: bool = False

    def measure(self, bus: str) -> None:
        """Keep a scan of one bus."""
        after = max(0.001, (now_ms() - self.keeper.now_ms) / 1000)
        turn = self.kept // EACH
        values = {name: 15.0 + (turn + n) % 40 / 8 for n, name in enumerate(NAMES[bus])}
        self.keeper.scan(values, after=after)
        self.kept += EACH

    def send(self) -> None:
        """Step each outlet until nothing waits, or it fails; then the next call goes on."""
        for place, outlet in enumerate(self.outlets):
            try:
                while (after := outlet.step(self.positions[place])) != self.positions[place]:
                    self.positions[place] = after
            except (ForwardError, NoticeError) as error:
                sys.stderr.write(f"{outlet.name}: {error}\n")

    def change(self) -> None:
        """Let its alarm come, or go."""
        pair = AlarmState.NEW, AlarmState.NORMAL
        old, new = pair if self.standing else pair[::-1]
        self.standing = not self.standing
        self.keeper.now_ms = max(self.keeper.now_ms, now_ms() - 1000)
        self.keeper.change(ALARM, old, new)

    def waits(self) -> int:
        """How many scans the slowest of its forwarders has not sent."""
        newest, _ = self.keeper.record.version()
        return newest - min(self.positions[1:])


def publisher(folder: Path, number: int, *, mqtt: int, url: str) -> Publisher:
    """Make one."""
    name = f"rig {number}"
    rig = parse(rig_text(folder, name, mqtt=mqtt, url=url), file="rig.toml", find_kind=None)
    assert rig.mqtt is not None
    assert rig.database is not None
    keeper = Keeper(folder / f"many {number}", rig, start_ms=now_ms())
    clock, record = SystemClock(), ReadBack(folder / f"many {number}")
    state = State(
        rig,
        record,
        software="bench",
        since_ms=clock.utc_ms(),
        clock=clock,
        positions=dict,
        measured=record.newest_measured,
        again_within=STATE_EVERY + 5,
    )
    connection = MqttConnection(rig.mqtt, password=None, tls=None, describe=state.describe)
    prefix = prefix_of(name)
    outlets: list[Outlet] = [
        MqttNotices(record, rig, connection, prefix=prefix),
        MqttReadings(
            record,
            rig,
            connection,
            prefix=prefix,
            rate=rig.mqtt.readings or 200.0,
            time_sure=lambda _: True,
            monotonic=time.monotonic,
        ),
        DatabaseForwarder(
            record, rig, rig.database, token=None, on_refused=lambda says: sys.exit(says)
        ),
    ]
    return Publisher(keeper, connection, outlets, [0] * len(outlets))


class Many:
    """All of them, on one grid."""

    def __init__(self, some: list[Publisher]) -> None:
        self._some = some
        self._often = 1.0
        self._late = 0.0
        now = time.monotonic()
        # Spread over a period, as rigs are that nobody starts together.
        self._due = [
            (now + PERIODS["wood"] * n / len(some), n, what)
            for n in range(len(some))
            for what in ("pins", "wood", "state")
        ]
        heapq.heapify(self._due)
        self._asked: queue.SimpleQueue[str] = queue.SimpleQueue()
        threading.Thread(target=self._listen, daemon=True).start()

    def run(self) -> None:
        """Measure and send until told to stop."""
        while True:
            wait = max(0.0, min(0.5, self._due[0][0] - time.monotonic()))
            try:
                asked = self._asked.get(timeout=wait) if wait else self._asked.get_nowait()
            except queue.Empty:
                asked = ""
            if asked == "stop":
                break
            if asked:
                self._answer(*asked.split())
            self._one()
        for one in self._some:
            one.send()
            one.connection.close()
        say(kept=sum(one.kept for one in self._some), waits=self._waits())

    def _one(self) -> None:
        due, n, what = self._due[0]
        late = time.monotonic() - due
        if late < 0:
            return
        self._late = max(self._late, late)
        one = self._some[n]
        every = STATE_EVERY if what == "state" else PERIODS[what] / self._often
        heapq.heapreplace(self._due, (due + every, n, what))
        if what == "state":
            one.connection.tell_state()
        else:
            one.measure(what)
            one.send()

    def _answer(self, what: str, number: str = "") -> None:
        if what == "alarm":
            one = self._some[int(number)]
            one.change()
            said = now_ms()
            one.send()
            say(at=said)
        elif what == "often":
            self._often = float(number)
            now = time.monotonic()
            self._due = [
                (now + (due - now) / self._often if kind != "state" else due, n, kind)
                for due, n, kind in self._due
            ]
            heapq.heapify(self._due)
            say()
        else:
            kept = sum(one.kept for one in self._some)
            say(kept=kept, late=self._late, waits=self._waits())
            self._late = 0.0

    def _waits(self) -> int:
        return sum(one.waits() for one in self._some)

    def _listen(self) -> None:
        for line in sys.stdin:
            self._asked.put(line.strip())
        self._asked.put("stop")


def say(**what: float) -> None:
    """Answer."""
    sys.stdout.write(f"{json.dumps(what)}\n")
    sys.stdout.flush()


def main() -> None:
    """Run them."""
    folder, first, count = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    mqtt, url = int(sys.argv[4]), sys.argv[5]
    some = [publisher(folder, first + n, mqtt=mqtt, url=url) for n in range(count)]
    for one in some:
        one.connection.ready()
    say()
    Many(some).run()


if __name__ == "__main__":
    main()
