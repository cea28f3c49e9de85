"""What the outside is told of a real `longsoak run`: signs of life, and their end."""

import errno
import json
import resource
import signal
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from brokers import validate
from faults.preload import Kind, Preload
from longsoak.service.clock import SystemClock
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.errors import StoreError
from processes import longsoak, running
from scripted import Scripted, scripted_server
from servers import broker, listener
from service.test_manager import Bound
from waiting import wait_for
from whole.thermorig import lay_out, rom, show

pytestmark = pytest.mark.long


INTERVAL = 0.4  # s between two signs of life, half of what the service manager is told to wait


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bound:
    """A service manager that waits 0.8 s for a sign of life."""
    bound = Bound(f"{tmp_path}/notify")
    monkeypatch.setenv("NOTIFY_SOCKET", bound.address)
    monkeypatch.setenv("WATCHDOG_USEC", str(round(2e6 * INTERVAL)))
    return bound


def hears(bound: Bound, words: str) -> None:
    heard: list[str] = []

    def found() -> bool:
        heard.extend(bound.heard())
        return any(words in one for one in heard)

    wait_for(found, what=f"{words!r} among {heard}")


def is_silent(bound: Bound) -> None:
    """Fail unless nothing comes for as long as five signs of life would take."""
    time.sleep(INTERVAL)  # what was under way
    bound.heard()
    time.sleep(5 * INTERVAL)
    assert bound.heard() == []


def scans(folder: Path) -> int:
    try:
        return Record(folder / "record").version()[0]
    except StoreError:
        return 0


def test_the_service_manager_hears_of_the_start_of_life_and_of_the_end(
    tmp_path: Path, manager: Bound
) -> None:
    with running(lay_out(tmp_path / "rig")) as run:
        hears(manager, "READY=1")
        for _ in range(3):
            hears(manager, "WATCHDOG=1")
        assert run.stop() == 0
    hears(manager, "STOPPING=1")
    manager.close()


def test_a_rig_without_any_sensor_is_up_and_alive_all_the_same(
    tmp_path: Path, manager: Bound
) -> None:
    """Or it would be started anew for ever, and raise no alarm about it."""
    rig_file = lay_out(tmp_path / "rig", probes=1)
    rig_file.write_text(rig_file.read_text().replace("/w1", "/nowhere"))
    with running(rig_file) as run:
        hears(manager, "READY=1")
        run.says("bus wood: down")
        hears(manager, "WATCHDOG=1")
        assert run.stop() == 0
    manager.close()


def test_a_full_card_stops_no_sign_of_life_for_what_waits_is_in_memory(
    tmp_path: Path, manager: Bound
) -> None:
    with running(lay_out(tmp_path / "rig")) as run:
        wait_for(lambda: scans(tmp_path / "rig") >= 3, what="scans")
        limits = resource.prlimit(run.process.pid, resource.RLIMIT_FSIZE, (1, -1))
        run.says("could not be kept")
        hears(manager, "STATUS=The record takes nothing, ")
        for _ in range(3):
            hears(manager, "WATCHDOG=1")
        resource.prlimit(run.process.pid, resource.RLIMIT_FSIZE, limits)
        hears(manager, "STATUS=Recording; ")
        assert run.stop() == 0
    manager.close()


def test_a_recorder_that_hangs_over_its_disk_gives_no_sign_of_life(
    tmp_path: Path, manager: Bound, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = Preload(tmp_path / "faults", under=tmp_path / "rig" / "record")
    for name, value in card.environment.items():
        monkeypatch.setenv(name, value)
    with running(lay_out(tmp_path / "rig")) as run:
        hears(manager, "WATCHDOG=1")
        card.fail({}, hang=True)
        is_silent(manager)
        card.fail({})
        hears(manager, "WATCHDOG=1")
        assert run.stop() == 0
    card.close()
    manager.close()


def test_a_process_that_is_stopped_in_its_tracks_gives_no_sign_of_life(
    tmp_path: Path, manager: Bound
) -> None:
    with running(lay_out(tmp_path / "rig")) as run:
        hears(manager, "WATCHDOG=1")
        run.process.send_signal(signal.SIGSTOP)
        is_silent(manager)
        run.process.send_signal(signal.SIGCONT)
        hears(manager, "WATCHDOG=1")
        assert run.stop() == 0
    manager.close()


def heartbeat(server: Scripted) -> str:
    return f'[heartbeat]\nurl = "{server.url}/beat"\nevery = 10\n'


# As it is shipped, with beats as often as a test can wait for.
QUICK = """
import sys
from pathlib import Path
from dataclasses import replace
from longsoak.service import run, stage
load = run.load_rig
def quick(path):
    rig, text = load(path)
    return replace(rig, heartbeat=replace(rig.heartbeat, every=0.3)), text
run.load_rig = quick
stage.verified_within_s = lambda rig: 1.5
import logging
logging.basicConfig(level=logging.INFO)
run.run(Path(sys.argv[1]))
"""


def test_beats_stop_when_nothing_is_kept_or_measured_and_come_back(tmp_path: Path) -> None:
    with scripted_server(lambda _: (200, "")) as server:
        rig_file = lay_out(tmp_path, probes=2, more=heartbeat(server))

        def more(of: int) -> None:
            wanted = len(server.asked) + of
            wait_for(lambda: len(server.asked) >= wanted, what="beats")

        def none() -> None:
            wait_for(partial(_calm, server), what="the last beat")

        with running(rig_file, program=QUICK) as run:
            more(3)
            limits = resource.prlimit(run.process.pid, resource.RLIMIT_FSIZE, (1, -1))
            run.says("could not be kept")
            run.says("the heartbeat is held back: the newest scan that brought a value is ")
            none()
            resource.prlimit(run.process.pid, resource.RLIMIT_FSIZE, limits)
            run.says("the heartbeat goes on")
            more(2)
            for number in range(2):
                (tmp_path / "w1" / rom(number) / "w1_slave").write_text("")
            run.says("no answer")
            none()
            show(tmp_path, 0, 21.0)
            more(2)
            assert run.stop() == 0
        assert {asked.path for asked in server.asked} == {"/beat"}


def _calm(server: Scripted) -> bool:
    """Whether no beat comes for as long as four of them would take."""
    before = len(server.asked)
    time.sleep(1.2)
    return len(server.asked) == before


def test_a_heartbeat_that_is_not_taken_is_an_alarm(tmp_path: Path) -> None:
    answers: list[tuple[int, str]] = [(404, "")]
    with scripted_server(lambda _: answers[-1]) as server:
        more = heartbeat(server) + '[[alarms]]\nwatch = "outlet away"\non_delay = 0\n'
        with running(lay_out(tmp_path, more=more), program=QUICK) as run:
            run.says("alarm outlet away:heartbeat: new, not acknowledged")
            run.says("answered 404 Not Found")
            answers.append((200, ""))
            run.says("alarm outlet away:heartbeat: gone, not acknowledged")
            assert run.stop() == 0
    assert "/beat" not in run.log


def test_a_state_says_recording_only_after_a_scan_was_read_back(tmp_path: Path) -> None:
    with broker(tmp_path / "broker") as server, listener(server.port) as heard:
        more = f'[notices.mqtt]\nhost = "127.0.0.1"\nport = {server.port}\nprefix = "rig"\n'
        rig_file = lay_out(tmp_path / "rig", more=more)

        def said() -> list[dict[str, object]]:
            return [json.loads(text) for topic, text in heard.live if topic == "rig/state"]

        def last(state: str) -> Callable[[], bool]:
            return lambda: bool(said()) and said()[-1]["state"] == state

        with running(rig_file) as run:
            wait_for(last("recording"), what="the state")
            run.kill()
        wait_for(last("cut off"), what="the last will", limit=40)
        shown = rig_file.read_text()
        rig_file.write_text(shown.replace("/w1", "/nowhere"))
        with running(rig_file) as run:
            run.says("bus wood: down")
            wait_for(last("not recording"), what="the state without sensors")
            rig_file.write_text(shown)
            assert run.stop() == 0
        wait_for(last("stopped"), what="the stop")
        for one in said():
            validate("state", json.dumps(one))
            assert one["state"] != "recording" or one["newest_scan_age_s"] < 60  # type: ignore[operator]  # a number
            assert one["boot"] == SystemClock().boot


def test_a_start_after_a_cut_is_an_alarm_until_somebody_knows(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    record = Record(tmp_path / "record")
    key = "restarted:computer"
    with running(rig_file) as run:
        wait_for(lambda: scans(tmp_path) >= 3, what="scans")
        assert run.stop() == 0
    with running(rig_file) as run:
        run.says("it was stopped on purpose")
        wait_for(lambda: scans(tmp_path) >= 6, what="scans")
        run.kill()
    assert key not in record.alarms()
    with running(rig_file) as run:
        wait_for(lambda: key in record.alarms(), what="the alarm")
        change = record.alarms()[key]
        assert change.new is AlarmState.NEW
        assert change.says.startswith("no readings for ")
        assert change.says.endswith("the run before was cut off")
        assert longsoak("ack", key, "--by", "mk", "--rig", rig_file).returncode == 0
        wait_for(lambda: record.alarms()[key].new is AlarmState.NORMAL, what="its end")
        assert run.stop() == 0


def test_a_record_that_can_not_be_read_back_is_not_vouched_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = Preload(tmp_path / "faults", under=tmp_path / "record")
    for name, value in card.environment.items():
        monkeypatch.setenv(name, value)
    with scripted_server(lambda _: (200, "")) as server:
        rig_file = lay_out(tmp_path, more=heartbeat(server))
        with running(rig_file, program=QUICK) as run:
            wait_for(lambda: len(server.asked) >= 2, what="beats")
            card.fail(dict.fromkeys(Kind, errno.EIO))  # nor can it be read
            run.says("the heartbeat is held back")
            wait_for(partial(_calm, server), what="the last beat")
            card.fail({})
            run.says("the heartbeat goes on")
            assert run.stop() == 0
    card.close()
