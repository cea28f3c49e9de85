"""`longsoak shelve` and `longsoak ack --reset`, run as a user runs them."""

import json
import signal
from pathlib import Path

import pytest

from cli.keeping import kept
from longsoak.store.inbox import Inbox
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import AlarmState, Hiding
from processes import longsoak, running
from waiting import wait_for
from whole.thermorig import lay_out, rom

ALARM = "silent:T1"
# It comes at once, is held once it was answered and is over, and is told again each second.
MORE = """
[[alarms]]
watch = "silent"
on_delay = 0.3
latching = true
repeat = 1
"""


def answer(tmp_path: Path, text: str) -> None:
    (tmp_path / "w1" / rom(1) / "w1_slave").write_text(text)


def test_an_alarm_is_shelved_goes_on_underneath_and_is_told_anew_when_it_is_put_back(
    tmp_path: Path,
) -> None:
    rig_file = lay_out(tmp_path, more=MORE)
    whole = (tmp_path / "w1" / rom(1) / "w1_slave").read_text()
    record = Record(tmp_path / "record")

    def change() -> AlarmState:
        return record.alarms()[ALARM].new

    with running(rig_file) as run:
        answer(tmp_path, "")
        run.says(f"alarm {ALARM}")
        ended = longsoak(
            "shelve", ALARM, "--for", "2h", "--why", "New lead", "--by", "mk", "--rig", rig_file
        )
        assert ended.returncode == 0
        assert ended.stdout.startswith(f"{ALARM}: shelved until ")
        assert longsoak("ack", "--rig", rig_file).stdout == "There is nothing to acknowledge.\n"
        listed = longsoak("shelve", "--rig", rig_file)
        assert listed.returncode == 0
        assert f"{ALARM}  shelved  " in listed.stdout
        assert "shelved by mk until " in listed.stdout
        assert listed.stdout.rstrip().endswith(": New lead")
        (told,) = json.loads(longsoak("shelve", "--json", "--rig", rig_file).stdout)
        assert (told["alarm"], told["hiding"]) == (ALARM, "shelved")
        refused = longsoak("ack", ALARM, "--by", "mk", "--rig", rig_file)
        assert "the alarm is shelved, and nobody is asked to answer it" in refused.stdout

        run.process.send_signal(signal.SIGKILL)
        run.process.wait()
    with running(rig_file) as run:
        wait_for(lambda: record.alarms()[ALARM].hiding is Hiding.SHELVED, what="the shelf")
        ended = longsoak("shelve", ALARM, "--end", "--by", "mk", "--rig", rig_file)
        assert ended.stdout == f"{ALARM}: put back\n"
        run.says("nobody has answered")  # it is told again, and again
        assert longsoak("ack", ALARM, "--by", "mk", "--rig", rig_file).returncode == 0
        answer(tmp_path, whole)
        wait_for(lambda: change() is AlarmState.HELD, what="the latch")
        listed = longsoak("ack", "--reset", "--rig", rig_file)
        assert listed.stdout.startswith(f"{ALARM}  held until it is reset: ")
        again = longsoak("ack", ALARM, "--by", "mk", "--rig", rig_file)
        assert "there is nothing to answer; reset it" in again.stdout
        done = longsoak("ack", ALARM, "--reset", "--by", "mk", "--rig", rig_file)
        assert (done.returncode, done.stdout) == (0, f"{ALARM}: reset\n")
        assert run.stop() == 0
    assert change() is AlarmState.NORMAL
    # Told: that it came, that it stands off the shelf, repeats, that it is over. Nothing twice.
    changes = [c for c in record.alarm_changes_after(0, limit=999) if c.key == ALARM]
    told = [c for c in changes if c.told and "nobody has answered" not in c.says]
    assert [c.new for c in told] == [AlarmState.NEW, AlarmState.NEW, AlarmState.HELD]
    assert not any(c.told for c in changes if c.hiding is not None)


def test_what_is_out_of_service_stays_so_over_a_restart(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path, more=MORE)
    record = Record(tmp_path / "record")
    with running(rig_file) as run:
        run.says("recording")
        done = longsoak(
            "shelve", ALARM, "--out-of-service", "--why", "Sensor away", "--rig", rig_file
        )
        assert done.stdout == f"{ALARM}: out of service until somebody puts it back\n"
        assert run.stop() == 0
    answer(tmp_path, "")
    with running(rig_file) as run:
        wait_for(lambda: record.alarms()[ALARM].new is AlarmState.NEW, what="the alarm")
        assert run.stop() == 0
    assert record.alarms()[ALARM].hiding is Hiding.OUT_OF_SERVICE
    assert (
        longsoak("shelve", "--rig", rig_file)
        .stdout.splitlines()[1]
        .startswith(f"{ALARM}  out of service ")
    )


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (["--for", "2h"], "Say why with --why"),
        (["--for", "soon", "--why", "w"], "'soon' is no length of time, expected a number and"),
        (["--for", "0h", "--why", "w"], "'0h' is no length of time"),
        (["--for", "2h", "--why", " "], "Say why: whoever comes next has to know"),
        (["--for", "2h", "--why", "w\nv"], "The reason is one line of up to 300 printable"),
        (["--for", "2h", "--end", "--why", "w"], "Say one of --for, --out-of-service and --end"),
        (["--why", "w"], "Say one of --for, --out-of-service and --end"),
        (["--for", "2h", "--json", "--why", "w"], "--json is for the list"),
    ],
)
def test_what_makes_no_sense_is_told_in_a_sentence_and_nothing_is_asked(
    tmp_path: Path, said: list[str], expected: str
) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        ended = longsoak("shelve", ALARM, *said, "--by", "mk", "--rig", rig_file)
        assert (ended.returncode, ended.stdout) == (2, "")
        assert expected in ended.stderr
        inbox = Inbox(record.folder)
        assert inbox.waiting() == []
        inbox.close()


def test_too_long_is_refused_with_the_most_there_is(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with running(rig_file) as run:
        run.says("recording")
        ended = longsoak("shelve", ALARM, "--for", "8days", "--why", "w", "--rig", rig_file)
        assert ended.returncode == 1
        assert (
            "an alarm of medium priority can be shelved for a minute up to 7 days, not 8 days"
            in (ended.stdout)
        )
        assert run.stop() == 0
