"""`longsoak service`, run as a user runs it."""

import json
import re
from pathlib import Path

import pytest

from longsoak.store.files import folder_of
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import AlarmState, Hiding
from processes import longsoak, running
from waiting import wait_for
from whole.thermorig import lay_out


def flag_of_t1(rig_file: Path) -> str:
    seen = json.loads(longsoak("now", rig_file, "--json").stdout)
    (found,) = [probe for probe in seen["probes"] if probe["probe"] == "T1"]
    return str(found["flag"])


def reason_of_t1(rig_file: Path) -> str:
    seen = json.loads(longsoak("now", rig_file, "--json").stdout)
    return str(next(probe["reason"] for probe in seen["probes"] if probe["probe"] == "T1"))


def test_a_service_window_lays_over_readings_over_a_restart_until_it_is_ended(
    tmp_path: Path,
) -> None:
    rig_file = lay_out(tmp_path)
    with running(rig_file) as run:
        run.says("recording")
        opened = longsoak("service", rig_file, "Leads moved", "--by", "mk", "--minutes", "30")
        assert (opened.returncode, opened.stderr) == (0, "")
        assert opened.stdout.startswith("Kept as number 1, of ")
        wait_for(lambda: flag_of_t1(rig_file) == "not evaluated", what="the window to lay over")
        assert reason_of_t1(rig_file) == "somebody worked at the rig: a service window was open"
        second = longsoak("service", rig_file, "Again", "--by", "ab")
        assert second.returncode == 1
        assert "A service window of mk is open until" in second.stdout
        assert run.stop() == 0
    with running(rig_file) as run:
        run.says("recording")
        (listed,) = json.loads(longsoak("service", rig_file, "--json").stdout)
        assert (listed["open"], listed["by"], listed["says"]) == (True, "mk", "Leads moved")
        wait_for(lambda: flag_of_t1(rig_file) == "not evaluated", what="it to lie there still")
        ended = longsoak("service", rig_file, "Wiped dry", "--end", "--by", "ab")
        assert (ended.returncode, ended.stderr) == (0, "")
        wait_for(lambda: flag_of_t1(rig_file) == "pass", what="the window to be ended")
        assert run.stop() == 0
    listed = longsoak("service", rig_file).stdout
    assert "Leads moved; at its end: Wiped dry" in listed
    end = re.split(" {2,}", listed.splitlines()[1])[2]
    noted = longsoak("note", rig_file).stdout
    assert f" until {end}\n" in noted
    assert "   Leads moved\n" in noted
    none = longsoak("service", rig_file, "--end", "--by", "ab")
    assert none.stderr == "No service window is open. Nothing was kept.\n"


@pytest.mark.long
def test_alarms_marked_for_it_tell_nobody_while_somebody_works(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    record = Record(folder_of(rig_file))
    with running(rig_file) as run:
        run.says("open:")
        assert longsoak("service", rig_file, "Leads off", "--by", "mk").returncode == 0
        (tmp_path / "w1").rename(tmp_path / "taken away")
        wait_for(lambda: "bus down:wood" in record.alarms(), what="the alarm")
        hidden = record.alarms()["bus down:wood"]
        assert (hidden.new, hidden.hiding) == (AlarmState.NEW, Hiding.SUPPRESSED)
        assert longsoak("service", rig_file, "--end", "--by", "mk").returncode == 0
        wait_for(lambda: record.alarms()["bus down:wood"].hiding is None, what="it to be told")
        assert run.stop() == 0
