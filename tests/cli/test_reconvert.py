"""`longsoak reconvert` as a user runs it."""

import json
import signal
import subprocess
from hashlib import sha256
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bench.kept64 import EVERY_MS, START_MS, Wood, path64, rig_text
from longsoak.cli.now import now
from longsoak.cli.reconvert import reconvert
from longsoak.store.derived import DERIVED
from longsoak.store.files import RECORD
from longsoak.store.inbox import Inbox
from longsoak.store.reader import Record
from processes import COMMAND
from waiting import wait_for

BETTER = "own fir"
LATER = "The logbook will say so once `longsoak run` takes what it is asked."
CURVE = f"""
[curves."{BETTER}"]
form = "table"
made_for = "wood"
lowest = 8
highest = 26
reference_temperature = 20
correction = "none"
source = "invented"
fitted_on = "nothing"
uncertainty = 1
points = [[8, 2e10], [26, 5e5]]
"""


@pytest.fixture
def rig_file(tmp_path: Path) -> Path:
    """A record of 41 passes, and a second version of its rig file with a curve of its own."""
    return recorded(tmp_path, passes=41)


def recorded(tmp_path: Path, *, passes: int) -> Path:
    wood, text = Wood(), rig_text()
    better = text.replace('"Douglas-fir (coast)"', f'"{BETTER}"') + CURVE
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(better)
    with path64(tmp_path / "record") as path:
        path.writer.accept_rig(text, utc_ms=START_MS)
        for number in range(passes - 1):
            path.put(wood.samples(number * EVERY_MS))
            if number % 100 == 99:
                path.recorder.turn()
        path.recorder.turn()
        path.writer.accept_rig(better, utc_ms=START_MS + (passes - 1) * EVERY_MS)
        path.put(wood.samples((passes - 1) * EVERY_MS))
        path.recorder.turn()
    return rig_file


def run(*arguments: object) -> Result:
    return CliRunner().invoke(reconvert, [str(argument) for argument in arguments])


def mean(rig_file: Path) -> float:
    readings = Record(rig_file.parent / "record").series("pins 3", since_ms=0, until_ms=2**50)
    return sum(reading.value or 0.0 for reading in readings) / len(readings)


def test_the_newest_version_is_shown_and_undone(rig_file: Path) -> None:
    before = mean(rig_file)
    done = run(rig_file, "--by", "mk")
    assert done.exit_code == 0, done.output
    assert "2624 readings converted again, 2460 came out otherwise." in done.output
    shown = "are shown as converted again under version 3 of the rig file"
    assert f"Values up to 4 May 2026, 09:41:00 UTC {shown}.\n{LATER}" in done.output
    assert mean(rig_file) != before
    seen = CliRunner().invoke(now, [str(rig_file)]).output
    assert f"Values up to 4 May 2026, 09:41:00 UTC {shown}; `longsoak reconvert --as-kept` " in seen
    picture = json.loads(CliRunner().invoke(now, [str(rig_file), "--json"]).output)
    assert picture["converted_again"] == {"rig_version": 3, "until": "2026-05-04T09:41:00.000Z"}
    undone = run(rig_file, "--as-kept", "--by", "mk")
    assert undone.output == f"All values are shown as they were first kept.\n{LATER}\n"
    assert mean(rig_file) == before
    again = run(rig_file, "--as-kept")
    assert again.output == "All values are shown as they were first kept, as before.\n"
    asked = [request.body for request in Inbox(rig_file.parent / "record").waiting()]
    assert [shown in body for body in asked] == [True, False]
    assert "as they were first kept" in asked[1]


def test_a_version_can_be_named_and_one_that_is_not_there_is_told(rig_file: Path) -> None:
    done = run(rig_file, "--version", 2, "--json")
    assert done.exit_code == 0, done.output
    picture = json.loads(done.output)
    assert (picture["rig_version"], picture["readings"], picture["otherwise"]) == (2, 2624, 0)
    wrong = run(rig_file, "--version", 9)
    assert wrong.exit_code == 2
    assert "The record has no version 9 of the rig file; it has 1 of" in wrong.output


def test_a_folder_that_may_not_be_written_is_told(rig_file: Path) -> None:
    (rig_file.parent / "record" / f"{DERIVED}.part").mkdir()
    done = run(rig_file)
    assert done.exit_code == 1
    assert "could not be written beside the record" in done.output
    assert "Nothing has changed." in done.output


def started(rig_file: Path) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [COMMAND, "reconvert", rig_file, "--by", "mk"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def test_killed_half_way_it_shows_nothing_and_the_next_one_is_whole(tmp_path: Path) -> None:
    rig_file = recorded(tmp_path, passes=1001)
    record = tmp_path / "record"
    before, digest = mean(rig_file), sha256((record / RECORD).read_bytes()).digest()
    with started(rig_file) as process:
        wait_for((record / f"{DERIVED}.part").exists, what="the values that are made")
        process.kill()
        process.wait()
    assert (record / f"{DERIVED}.part").exists()
    assert mean(rig_file) == before
    assert Record(record).derivation() is None
    done = run(rig_file, "--by", "mk")
    assert "64064 readings converted again, 60060 came out otherwise." in done.output
    assert sha256((record / RECORD).read_bytes()).digest() == digest
    assert not list(record.glob("*.part*"))


def test_interrupted_while_it_waits_for_the_logbook_it_has_said_what_is_shown(
    rig_file: Path,
) -> None:
    with started(rig_file) as process:
        assert process.stdout is not None
        assert "2460 came out otherwise." in process.stdout.readline()
        assert "are shown as converted again" in process.stdout.readline()
        process.send_signal(signal.SIGINT)
        rest = process.stdout.read()
    assert (process.returncode, rest.strip()) == (130, "Interrupted.")
    assert Record(rig_file.parent / "record").derivation() is not None


def test_without_a_record_it_says_so(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(rig_text())
    done = run(tmp_path / "rig.toml")
    assert done.exit_code == 1
    assert "there is no record" in done.output
