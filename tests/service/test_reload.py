"""A rig file that changes under a `longsoak run`: taken up whole, or refused whole."""

import json
import resource
import signal
import socket
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from drivers.ptys import plugged
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import AlarmState
from processes import Running, longsoak
from service.reloads import change, events, go_on, measuring, rows, scans, versions_in_turn, whole
from waiting import wait_for
from whole.thermorig import PROBE, lay_out, pour, rom, show, tray

OVERFILL = "overfill:water level"


def test_a_changed_period_is_taken_up_and_readings_point_to_their_version(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with measuring(rig_file) as run:
        change(rig_file, "every = 0.2", "every = 0.4", 1)
        ended = longsoak("reload", rig_file, "--by", "mk")
        assert ended.returncode == 0, ended.stderr
        assert ended.stdout.startswith("Rig file version 2 taken up: 1 period changed: T0 every")
        go_on(rig_file)
        assert run.stop() == 0
    whole(tmp_path)
    assert versions_in_turn(tmp_path) == [1, 2]
    (said,) = events(tmp_path, "rig file")
    assert said.startswith("rig file version 2 taken up: 1 period changed")
    # The same run goes on: nothing was stopped, for anybody who looks at the record.
    assert len(rows(tmp_path, "SELECT * FROM run")) == 1
    assert rows(tmp_path, "SELECT * FROM gap") == []


def test_the_same_text_says_that_nothing_has_changed_and_stops_nothing(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with measuring(rig_file):
        opened = len(events(tmp_path, "bus"))
        ended = longsoak("reload", rig_file)
        assert ended.returncode == 0
        assert ended.stdout.startswith("Nothing has changed: the file is as version 1 has it")
        go_on(rig_file)
        assert len(events(tmp_path, "bus")) == opened
    assert events(tmp_path, "rig file") == []


def test_a_wrong_file_is_refused_with_every_mistake_and_no_bus_is_let_go_of(
    tmp_path: Path,
) -> None:
    rig_file = lay_out(tmp_path)
    with measuring(rig_file):
        opened = len(events(tmp_path, "bus"))
        change(rig_file, "depth = 90", "depth = 900", 2)
        ended = longsoak("reload", rig_file)
        assert ended.returncode == 2
        first, second, last = ended.stderr.splitlines()
        assert "rig.toml:28: probes[0].depth is 900" in first
        assert "Correct depth" in first
        assert "rig.toml:38: probes[1].depth is 900" in second
        assert last == "Nothing was taken up: measuring goes on as before."
        go_on(rig_file)
        assert len(events(tmp_path, "bus")) == opened
        (said,) = events(tmp_path, "rig file")
        assert said.startswith("not taken up: ")
        assert "Measuring goes on under version 1" in said
        shown = longsoak("now", rig_file)
        assert "The rig file was changed on the disk since" in shown.stdout
        assert json.loads(longsoak("now", rig_file, "--json").stdout)["rig_file_changed"] is True
        change(rig_file, "depth = 900", "depth = 85")
        assert longsoak("reload", rig_file).returncode == 0
        go_on(rig_file)
        assert "changed on the disk" not in longsoak("now", rig_file).stdout
    assert versions_in_turn(tmp_path) == [1, 2]


def test_a_driver_that_is_not_there_is_a_mistake_like_any_other(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with measuring(rig_file):
        change(rig_file, 'driver = "onewire"', 'driver = "onewhire"')
        ended = longsoak("reload", rig_file)
        assert ended.returncode == 2
        assert "onewire" in ended.stderr
        go_on(rig_file)


def test_a_newly_named_file_with_a_secret_has_to_be_there(tmp_path: Path) -> None:
    mqtt = '[notices.mqtt]\nhost = "127.0.0.1"\nport = 9\nprefix = "rig"\nuser = "rig"\n'
    mqtt += 'password_file = "pw"'
    rig_file = lay_out(tmp_path)
    with measuring(rig_file):
        change(rig_file, "[specimen]", f"{mqtt}\n[specimen]")
        ended = longsoak("reload", rig_file)
        assert ended.returncode == 2, ended.stdout
        assert "password_file of [notices.mqtt] names" in ended.stderr
        (tmp_path / "pw").write_text("invented")
        ended = longsoak("reload", rig_file)
        assert ended.returncode == 0, ended.stderr
        assert "Also changed: MQTT" in ended.stdout


def test_probes_come_and_go(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with measuring(rig_file) as run:
        show(tmp_path, 7, 31.0)
        text = rig_file.read_text()
        first = PROBE.format(number=0, height=20, rom=rom(0))
        assert first in text
        more = PROBE.format(number=7, height=300, rom=rom(7))
        rig_file.write_text(text.replace(first, "") + more)
        ended = longsoak("reload", rig_file)
        assert ended.returncode == 0, ended.stderr
        assert "1 probe added: T7. 1 probe removed: T0." in ended.stdout
        assert "alarm" not in ended.stdout  # they come and go with their probes
        record = Record(tmp_path / "record")
        wait_for(lambda: "T7" in record.latest(("T7",)), what="the new probe")
        assert record.latest(("T7",))["T7"].value == pytest.approx(31.0, abs=0.1)
        last = rows(tmp_path, "SELECT probes FROM layout ORDER BY id DESC LIMIT 1")
        assert "T0" not in str(last)
        shown = longsoak("now", rig_file).stdout
        assert "T7" in shown
        assert "T0" not in shown
        assert run.stop() == 0
    whole(tmp_path)


def test_an_alarm_that_stands_goes_on_and_is_not_told_twice(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path, probes=1, more=tray(tmp_path))
    record = Record(tmp_path / "record")

    def state() -> AlarmState | None:
        found = record.alarms().get(OVERFILL)
        return None if found is None else found.new

    def told() -> int:
        query = "SELECT count(*) FROM alarm_change WHERE key = ? AND news = 1"
        ((count,),) = rows(tmp_path, query, OVERFILL)
        assert isinstance(count, int)
        return count

    with measuring(rig_file) as run:
        pour(tmp_path, 103.0)
        wait_for(lambda: state() is AlarmState.NEW, what="the alarm")
        assert longsoak("ack", OVERFILL, "--by", "mk", "--rig", rig_file).returncode == 0
        wait_for(lambda: state() is AlarmState.ACKNOWLEDGED, what="the answer")
        assert told() == 1
        change(rig_file, "stop = 100", "stop = 101")
        ended = longsoak("reload", rig_file)
        assert ended.returncode == 0, ended.stderr
        assert "at 101 mm (100 mm before)" in ended.stdout
        go_on(rig_file)
        assert state() is AlarmState.ACKNOWLEDGED
        assert told() == 1
        change(rig_file, "stop = 101", "stop = 109")
        assert longsoak("reload", rig_file).returncode == 0
        wait_for(lambda: state() is AlarmState.NORMAL, what="the end of the alarm")
        assert told() == 2
        assert run.stop() == 0
    assert versions_in_turn(tmp_path) == [1, 2, 3]


def test_a_version_that_was_there_before_gets_its_number_again(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with measuring(rig_file):
        change(rig_file, "every = 0.2", "every = 0.4")
        assert "version 2 taken up" in longsoak("reload", rig_file).stdout
        go_on(rig_file)
        change(rig_file, "every = 0.4", "every = 0.2")
        assert "version 1 taken up" in longsoak("reload", rig_file).stdout
        go_on(rig_file)
        kept = Record(tmp_path / "record").rig_version()
        assert kept is not None
        assert kept.number == 1
    assert versions_in_turn(tmp_path) == [1, 2, 1]


def test_a_comment_is_kept_as_a_version_and_stops_nothing(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with measuring(rig_file):
        opened = len(events(tmp_path, "bus"))
        change(rig_file, "[specimen]", "# A word of explanation.\n[specimen]")
        ended = longsoak("reload", rig_file)
        assert "version 2 taken up: No setting has changed" in ended.stdout
        go_on(rig_file)
        assert len(events(tmp_path, "bus")) == opened
    assert versions_in_turn(tmp_path) == [1, 2]


def test_another_rigs_name_and_another_file_are_refused(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with measuring(rig_file) as run:
        other = tmp_path / "other.toml"
        other.write_text(rig_file.read_text().replace("every = 0.2", "every = 5"))
        ended = longsoak("reload", other)
        assert ended.returncode == 1
        assert "holds another text than the file that was named" in ended.stdout
        change(rig_file, '"thermometers"', '"another rig"')
        ended = longsoak("reload", rig_file)
        assert ended.returncode == 2
        assert "rig.name is 'another rig'" in ended.stderr
        run.process.send_signal(signal.SIGHUP)  # nobody looks at the file before
        run.says("Keep each rig's file in a folder of its own")
        go_on(rig_file)
    assert versions_in_turn(tmp_path) == [1]


def test_while_the_disk_takes_nothing_no_other_file_is_taken_up(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with measuring(rig_file) as run:
        # No file of the process may grow any more: to SQLite that is a disk that takes nothing.
        limits = resource.prlimit(run.process.pid, resource.RLIMIT_FSIZE, (1, -1))
        run.says("could not be kept")
        change(rig_file, "every = 0.2", "every = 0.3")
        run.process.send_signal(signal.SIGHUP)
        run.says("not taken up: the record takes nothing at present")
        resource.prlimit(run.process.pid, resource.RLIMIT_FSIZE, limits)
        run.says("the record takes scans again; none was lost")
        assert longsoak("reload", rig_file).returncode == 0
        go_on(rig_file)
        assert run.stop() == 0
    whole(tmp_path)
    assert versions_in_turn(tmp_path) == [1, 2]


def test_while_nobody_records_it_says_so_and_asks_nothing(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with measuring(rig_file) as run:
        assert run.stop() == 0
    ended = longsoak("reload", rig_file)
    assert ended.returncode == 1
    assert "nobody records into" in ended.stderr
    with closing(sqlite3.connect(tmp_path / "record" / "inbox.db")) as db:
        assert db.execute("SELECT count(*) FROM request").fetchone() == (0,)


def test_two_hangups_on_end_take_a_file_up_once(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with measuring(rig_file) as run:
        change(rig_file, "every = 0.2", "every = 0.3")
        run.process.send_signal(signal.SIGHUP)
        run.process.send_signal(signal.SIGHUP)
        run.says("rig file version 2 taken up")
        change(rig_file, "every = 0.3", "every = 0.4")
        for _ in range(2):
            run.process.send_signal(signal.SIGHUP)
        run.says("rig file version 3 taken up")
        run.process.send_signal(signal.SIGHUP)
        run.says("nothing has changed")
        go_on(rig_file)
        assert run.stop() == 0
    whole(tmp_path)
    assert [said[:23] for said in events(tmp_path, "rig file")] == [
        "rig file version 2 take",
        "rig file version 3 take",
    ]


def test_the_service_manager_hears_when_it_begins_and_that_it_is_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig_file = lay_out(tmp_path)
    heard: list[str] = []
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as bound:
        bound.bind(f"{tmp_path}/notify")
        bound.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", f"{tmp_path}/notify")

        def hear(count: int) -> bool:
            try:
                while True:
                    heard.append(bound.recv(4096).decode())
            except BlockingIOError:
                return sum(words == "READY=1" for words in heard) == count

        with measuring(rig_file) as run:
            wait_for(lambda: hear(1), what="the start")
            change(rig_file, "every = 0.2", "every = 0.3")
            run.process.send_signal(signal.SIGHUP)
            wait_for(lambda: hear(2), what="the end of it")
            change(rig_file, "every = 0.3", "every = 0.0")
            run.process.send_signal(signal.SIGHUP)
            wait_for(lambda: hear(3), what="the end of a refusal")
    said = [words.split("\n")[0] for words in heard if not words.startswith(("STATUS", "WATCHDOG"))]
    assert said == ["READY=1", "RELOADING=1", "READY=1", "RELOADING=1", "READY=1"]
    reloading = next(words for words in heard if words.startswith("RELOADING"))
    assert int(reloading.split("MONOTONIC_USEC=")[1]) > 0


METER = """
[[buses]]
name = "meter"
driver = "scpi"
port = "{port}"
timeout = {timeout}

[[probes]]
name = "resistor"
kind = "reference resistor"
nominal = 10e6
bus = "meter"
every = 0.5
address = {{channel = 120}}
"""


@contextmanager
def taking_its_time(tmp_path: Path, timeout: float) -> Iterator[tuple[Path, Running]]:
    """A run in the midst of a reload, which waits for a meter that does not answer."""

    def silent(question: bytes) -> list[bytes | float]:
        return [b"INVENTED,BENCH METER,0,1.0\n"] if question == b"*IDN?" else []

    with plugged(tmp_path / "port", silent) as meter:
        rig_file = lay_out(tmp_path, more=METER.format(port=meter.path, timeout=timeout))
        with measuring(rig_file) as run:
            change(rig_file, "every = 0.2", "every = 0.3")
            wait_for(lambda: any(b"MEAS" in q for q in meter.heard), what="a question")
            run.process.send_signal(signal.SIGHUP)
            run.says("is being taken up")
            yield rig_file, run


def test_a_stop_in_the_midst_of_it_ends_in_order(tmp_path: Path) -> None:
    with taking_its_time(tmp_path, 4.0) as (_, run):
        assert run.stop() == 0
        assert "everything measured is in the record" in run.log
    whole(tmp_path)
    assert rows(tmp_path, "SELECT count(*) FROM run WHERE ended_utc_ms IS NULL") == [(0,)]


def test_a_power_cut_in_the_midst_of_it_leaves_a_good_record(tmp_path: Path) -> None:
    with taking_its_time(tmp_path, 4.0) as (rig_file, run):
        before = scans(tmp_path)
        run.kill()
    whole(tmp_path)
    assert scans(tmp_path) >= before
    with measuring(rig_file) as run:
        run.says("the run before was cut off")
        assert run.stop() == 0
    whole(tmp_path)
    assert versions_in_turn(tmp_path) == [1, 2]


@pytest.mark.long
def test_power_cuts_at_any_moment_of_it_leave_a_good_record(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    periods = ("0.2", "0.3")
    for cut in range(12):
        with measuring(rig_file) as run:
            change(rig_file, f"every = {periods[cut % 2]}", f"every = {periods[1 - cut % 2]}")
            before = scans(tmp_path)
            run.process.send_signal(signal.SIGHUP)
            if cut % 3 == 1:
                run.says("is being taken up")
            elif cut % 3 == 2:
                run.says("taken up: ")
            run.kill()
        whole(tmp_path)
        assert scans(tmp_path) >= before
    assert len(rows(tmp_path, "SELECT id FROM rig_version")) == 2


ODD = """
[[buses]]
name = "odd"
driver = "onewire"
root = "w1"
"""
RAISES = """
import logging, sys
from longsoak.service import stage
whole = stage.BusWorker
class Odd(whole):
    def {where}(self, *args, **more):
        if {name} == "odd":
            raise RuntimeError("it did not like it")
        super().{where}(*args, **more)
stage.BusWorker = Odd
logging.basicConfig(level=logging.INFO, format="%(message)s")
from pathlib import Path
from longsoak.service.run import run
run(Path(sys.argv[1]))
"""


@pytest.mark.parametrize(
    ("where", "name"), [("__init__", "args[0].name"), ("start", "self._bus.name")]
)
def test_a_version_that_can_not_be_begun_with_gives_way_to_the_one_before(
    tmp_path: Path, where: str, name: str
) -> None:
    rig_file = lay_out(tmp_path)
    with measuring(rig_file, program=RAISES.format(where=where, name=name)) as run:
        more = PROBE.format(number=9, height=300, rom=rom(9)).replace('"wood"', '"odd"')
        odd = ODD.replace('"w1"', f'"{tmp_path / "w1"}"')
        rig_file.write_text(rig_file.read_text() + odd + more)
        ended = longsoak("reload", rig_file)
        assert ended.returncode == 1
        assert "it did not like it" in ended.stdout
        assert "Measuring goes on under version 1" in ended.stdout
        assert rows(tmp_path, "SELECT id FROM rig_version") == [(1,)]
        go_on(rig_file)
        change(rig_file, odd + more, "")
        change(rig_file, "every = 0.2", "every = 0.3")
        ended = longsoak("reload", rig_file)
        assert ended.returncode == 0, ended.stderr
        go_on(rig_file)
        assert run.stop() == 0
    whole(tmp_path)
    turns = versions_in_turn(tmp_path)
    assert turns[0] == 1
    assert [(turns[-1],)] == rows(tmp_path, "SELECT max(id) FROM rig_version")
    assert len(turns) == 2
