"""`longsoak run` as a process: started, cut off, stopped, starved, and always the same record."""

import resource
import sqlite3
from functools import partial
from itertools import pairwise
from pathlib import Path

import pytest

from drivers.ptys import plugged
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import Flag
from processes import longsoak, running
from waiting import wait_for
from whole.thermorig import lay_out, rom, show


def scans(folder: Path) -> int:
    try:
        return Record(folder / "record").version()[0]
    except StoreError:
        return 0


def reached(folder: Path, wanted: int) -> bool:
    return scans(folder) >= wanted


def longest_step(folder: Path) -> int:
    """The longest time between two readings of T0, ms."""
    readings = Record(folder / "record").series("T0", since_ms=0, until_ms=2**53)
    return max(b.utc_ms - a.utc_ms for a, b in pairwise(readings))


def whole(folder: Path) -> None:
    """Assert that the file is sound and no scan id is missing."""
    db = sqlite3.connect(folder / "record" / "record.db")
    try:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        count, top = db.execute("SELECT count(*), ifnull(max(id), 0) FROM scan").fetchone()
        assert count == top
    finally:
        db.close()


def test_a_bad_rig_file_never_starts_a_run(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    rig_file.write_text(rig_file.read_text().replace("depth = 90", "depth = 900", 1))
    ended = longsoak("run", rig_file)
    assert ended.returncode == 2
    assert "rig.toml" in ended.stderr
    assert "probes[0].depth is 900" in ended.stderr
    assert "nothing was started" in ended.stderr
    assert not (tmp_path / "record").exists()


def test_another_rigs_file_beside_a_record_never_starts_a_run(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with running(rig_file) as run:
        wait_for(lambda: scans(tmp_path) > 0, what="a scan")
        assert run.stop() == 0
    before = scans(tmp_path)
    other = tmp_path / "other.toml"
    other.write_text(rig_file.read_text().replace('"thermometers"', '"another rig"'))
    ended = longsoak("run", other)
    assert ended.returncode == 2
    assert "rig.name is 'another rig'" in ended.stderr
    assert "Keep each rig's file in a folder of its own" in ended.stderr
    assert scans(tmp_path) == before


def test_kill_at_any_moment_loses_no_committed_scan_and_the_gap_is_told(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    committed = 0
    for cut in range(6):
        with running(rig_file) as run:
            # Each time at another point of the run: from its very first scan to a few dozen.
            wanted = committed + 1 + cut * 3
            wait_for(partial(reached, tmp_path, wanted), what="scans")
            seen = scans(tmp_path)
            run.kill()
        after = scans(tmp_path)
        assert after >= seen
        whole(tmp_path)
        committed = after
    with running(rig_file) as run:
        run.says("the run before was cut off")
        assert run.stop() == 0
    gaps = Record(tmp_path / "record").gaps()
    assert [gap.clean for gap in gaps] == [False] * 6
    assert all(gap.to_utc_ms > gap.from_utc_ms for gap in gaps)


def test_a_stop_loses_nothing_that_was_measured(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with running(rig_file) as run:
        wait_for(lambda: scans(tmp_path) >= 5, what="scans")
        assert run.stop() == 0
        assert "everything measured is in the record" in run.log
    whole(tmp_path)
    assert longest_step(tmp_path) < 400
    with running(rig_file) as run:
        run.says("it was stopped on purpose")


@pytest.mark.long
def test_a_stop_does_not_wait_for_a_meter_that_takes_its_time_and_says_what_it_left(
    tmp_path: Path,
) -> None:
    def silent(question: bytes) -> list[bytes | float]:
        return [b"INVENTED,BENCH METER,0,1.0\n"] if question == b"*IDN?" else []

    with plugged(tmp_path / "port", silent) as meter:
        more = METER.format(port=meter.path) + "timeout = 60\n" + RESISTOR
        rig_file = lay_out(tmp_path, more=more)
        with running(rig_file) as run:
            wait_for(lambda: scans(tmp_path) >= 5, what="scans")
            wait_for(lambda: any(b"MEAS" in q for q in meter.heard), what="a question")
            assert run.stop() == 0
        assert "in the record but for what bus meter had under way" in run.log
        assert "everything measured is in the record\n" not in run.log
    whole(tmp_path)
    assert longest_step(tmp_path) < 1000  # the thermometers' bus went on to the last
    with running(rig_file) as run:
        run.says("it was stopped on purpose")


METER = """
[[buses]]
name = "meter"
driver = "scpi"
port = "{port}"
"""
RESISTOR = """
[[probes]]
name = "resistor"
kind = "reference resistor"
nominal = 10e6
bus = "meter"
every = 0.5
address = {channel = 120}
"""


def test_absent_probes_and_ports_stop_nothing_and_recover_by_themselves(tmp_path: Path) -> None:
    port = tmp_path / "nowhere"
    alarms = "".join(
        f'[[alarms]]\nwatch = "{watch}"\non_delay = 0.5\n' for watch in ("silent", "bus down")
    )
    rig_file = lay_out(tmp_path, more=METER.format(port=port) + RESISTOR + alarms)
    (tmp_path / "w1" / rom(3) / "w1_slave").unlink()
    (tmp_path / "w1" / rom(3)).rmdir()
    record = Record(tmp_path / "record")

    def states() -> dict[str, AlarmState]:
        return {key: change.new for key, change in record.alarms().items()}

    with running(rig_file) as run:
        wait_for(lambda: scans(tmp_path) > 0, what="a scan")
        wait_for(
            lambda: states() == {"silent:T3": AlarmState.NEW, "bus down:meter": AlarmState.NEW},
            what="both alarms",
        )
        now = longsoak("now", rig_file)
        assert now.returncode == 1
        assert "missing: no answer" in now.stdout
        assert "missing: its bus is down" in now.stdout
        assert "[bus down:meter]" in now.stdout
        assert str(port) in now.stdout  # the reason, with the port to look at

        show(tmp_path, 3, 23.0)
        wait_for(lambda: states()["silent:T3"] is AlarmState.GONE, what="the probe's return")
        assert run.stop() == 0


def test_a_full_disk_stops_nothing_and_what_was_measured_meanwhile_is_kept(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with running(rig_file) as run:
        wait_for(lambda: scans(tmp_path) >= 3, what="scans")
        # No file of the process may grow any more: to SQLite that is a disk that takes nothing.
        limits = resource.prlimit(run.process.pid, resource.RLIMIT_FSIZE, (1, -1))
        stuck = scans(tmp_path)
        run.says("could not be kept")
        assert scans(tmp_path) <= stuck + 1
        show(tmp_path, 0, 31.0)  # measured while nothing can be written
        longsoak("now", rig_file)  # takes long enough for several polls
        assert run.log.count("could not be kept") == 1  # told once, not with every scan
        resource.prlimit(run.process.pid, resource.RLIMIT_FSIZE, limits)
        run.says("the record takes scans again; none was lost")
        wait_for(lambda: scans(tmp_path) >= stuck + 5, what="new scans")
        assert run.stop() == 0
    whole(tmp_path)
    assert longest_step(tmp_path) < 400


def test_a_commit_that_stalls_leaves_every_pass_its_own_time(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with running(rig_file) as run:
        wait_for(lambda: scans(tmp_path) >= 3, what="scans")
        holder = sqlite3.connect(tmp_path / "record" / "record.db", isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        longsoak("now", rig_file)  # takes long enough for several polls
        longsoak("now", rig_file)
        holder.execute("ROLLBACK")
        holder.close()
        stalled = scans(tmp_path)
        wait_for(lambda: scans(tmp_path) >= stalled + 8, what="new scans")
        assert run.stop() == 0
    readings = Record(tmp_path / "record").series("T0", since_ms=0, until_ms=2**53)
    steps = [b.utc_ms - a.utc_ms for a, b in pairwise(readings)]
    # One poll may come late and the next in time; a stall that gave all its passes one time, as
    # it once did, left a dozen steps of 1 ms.
    assert sum(step <= 100 for step in steps) <= 2
    assert max(steps) < 400


def test_a_stop_on_a_full_disk_says_what_it_could_not_keep(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with running(rig_file) as run:
        wait_for(lambda: scans(tmp_path) >= 3, what="scans")
        resource.prlimit(run.process.pid, resource.RLIMIT_FSIZE, (1, -1))
        run.says("could not be kept")
        assert run.stop() == 1
        assert "measured last could not be kept" in run.log
        assert "Traceback" not in run.log
        assert "everything measured is in the record" not in run.log
    whole(tmp_path)
    with running(rig_file) as run:  # and the next start takes it for cut off
        run.says("the run before was cut off")
        assert run.stop() == 0


def test_an_acknowledgement_reaches_the_record_through_the_inbox(tmp_path: Path) -> None:
    more = '[[alarms]]\nwatch = "silent"\non_delay = 0.3\n'
    rig_file = lay_out(tmp_path, more=more)
    (tmp_path / "w1" / rom(1) / "w1_slave").write_text("")
    with running(rig_file) as run:
        wait_for(lambda: scans(tmp_path) and Record(tmp_path / "record").alarms(), what="the alarm")
        listed = longsoak("ack", "--rig", rig_file)
        assert "silent:T1  new, not acknowledged" in listed.stdout
        done = longsoak("ack", "silent:T1", "--by", "mk", "--rig", rig_file)
        assert (done.returncode, done.stdout) == (0, "silent:T1: acknowledged\n")
        again = longsoak("ack", "silent:T1", "--by", "mk", "--rig", rig_file)
        assert again.returncode == 1
        assert "there is nothing to answer" in again.stdout
        unknown = longsoak("ack", "silent:T9", "--by", "mk", "--rig", rig_file)
        assert "There is no alarm 'silent:T9' on this rig. Was 'silent:T" in unknown.stderr
        assert run.stop() == 0
    change = Record(tmp_path / "record").alarms()["silent:T1"]
    assert (change.new, change.by) == (AlarmState.ACKNOWLEDGED, "mk")


def test_a_request_made_while_nobody_records_is_taken_at_the_next_start(tmp_path: Path) -> None:
    more = '[[alarms]]\nwatch = "silent"\non_delay = 0.3\n'
    rig_file = lay_out(tmp_path, more=more)
    (tmp_path / "w1" / rom(1) / "w1_slave").write_text("")
    record = Record(tmp_path / "record")
    with running(rig_file) as run:
        wait_for(lambda: scans(tmp_path) and record.alarms(), what="the alarm")
        assert run.stop() == 0
    asked = longsoak("ack", "silent:T1", "--by", "mk", "--rig", rig_file)
    assert asked.returncode == 1
    assert "takes it in when it is" in asked.stdout
    with running(rig_file) as run:
        wait_for(
            lambda: record.alarms()["silent:T1"].new is AlarmState.ACKNOWLEDGED,
            what="the acknowledgement",
        )
        assert run.stop() == 0


def test_two_runs_never_share_a_record(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with running(rig_file) as run:
        wait_for(lambda: scans(tmp_path) > 0, what="a scan")
        second = longsoak("run", rig_file)
        assert second.returncode == 1
        assert f"process {run.process.pid} is recording" in second.stderr


def test_now_says_when_nobody_records(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    before = longsoak("now", rig_file)
    assert before.returncode == 1
    assert "Start `longsoak run`" in before.stderr
    with running(rig_file) as run:
        wait_for(lambda: scans(tmp_path) > 0, what="a scan")
        good = longsoak("now", rig_file)
        assert good.returncode == 0, good.stdout
        assert good.stdout.count("pass") == 4
        run.kill()
    latest = Record(tmp_path / "record").latest(("T0",))["T0"]
    assert latest.value == pytest.approx(20.0)
    assert latest.flag is Flag.PASS
