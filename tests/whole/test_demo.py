"""`sh demo/start.sh` as a stranger runs it: from a fresh clone, in a path with a space."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import Flag
from processes import longsoak
from waiting import wait_for

TOP = Path(__file__).parents[2]


@pytest.mark.long
@pytest.mark.timeout(400)  # installs a virtual environment first
def test_a_fresh_clone_measures_every_probe_and_says_so(tmp_path: Path) -> None:
    clone = tmp_path / "a clone"
    clone.mkdir()
    files = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=TOP,
        capture_output=True,
        check=True,
    ).stdout
    subprocess.run(
        ["cp", "--parents", *os.fsdecode(files).strip("\0").split("\0"), clone], cwd=TOP, check=True
    )
    demo = subprocess.run(
        ["sh", "demo/start.sh", "--for", "30"],
        cwd=clone,
        capture_output=True,
        text=True,
        timeout=390,
        check=False,
    )
    assert demo.returncode == 0, demo.stdout + demo.stderr
    assert "invented" in demo.stdout
    assert demo.stdout.count(" pass\n") == 52
    # All probes were flagged pass within 30 s of the start: the record says when.
    record = Record(clone / "demo" / "rig" / "record")
    version = record.rig_version()
    first = record.first_utc_ms()
    assert version is not None
    assert first is not None
    passed: dict[str, int] = {}
    for scan in record.scans_after(0, limit=100_000):
        for reading in scan.readings:
            if reading.flag is Flag.PASS:
                passed.setdefault(reading.probe, scan.utc_ms)
    assert len(passed) == 52
    assert max(passed.values()) - version.accepted_utc_ms < 30_000


def test_an_interrupt_stops_all_of_it(tmp_path: Path) -> None:
    demo = subprocess.Popen(
        [sys.executable, "-m", "longsoak_demo", "--folder", tmp_path / "rig"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    assert demo.stdout is not None
    said: list[str] = []
    for line in demo.stdout:
        said.append(line)
        if "Pages: http" in line:
            break
    assert said[-1].startswith("Pages: http"), said
    os.killpg(demo.pid, signal.SIGINT)  # as Ctrl-C does: to the whole group
    rest = demo.communicate(timeout=60)[0]
    assert demo.returncode == 0, rest
    assert "All stopped." in rest
    wait_for(lambda: not _members(demo.pid), what="every process of the group to end")


def _members(group: int) -> list[str]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue  # it ended while we looked
        if int(fields[2]) == group and fields[0] != "Z":
            found.append(stat.parent.name)
    return found


# The meter is polled every 5 s and 10 s without it are an alarm: within 18 s all three stand.
MISHAPS = """
[[events]]
at = 3
kind = "unplug"
bus = "meter"

[[events]]
at = 3
kind = "overfill"

[[events]]
at = 23
kind = "mend"
"""


@pytest.mark.long
def test_a_cable_pulled_out_and_an_overfill_are_told_and_mended_by_themselves(
    tmp_path: Path,
) -> None:
    (tmp_path / "mishaps.toml").write_text(MISHAPS)
    command: list[str | Path] = [sys.executable, "-m", "longsoak_demo", "--no-pages"]
    folders: list[str | Path] = [
        "--folder",
        tmp_path / "rig",
        "--events",
        tmp_path / "mishaps.toml",
    ]
    with subprocess.Popen([*command, *folders], stdout=subprocess.DEVNULL) as demo:
        record = Record(tmp_path / "rig" / "record")
        try:

            def states() -> dict[str, AlarmState]:
                try:
                    return {key: change.new for key, change in record.alarms().items()}
                except StoreError:
                    return {}

            raised = {
                "bus down:meter",
                "overfill:high float",
                "overfill:water level",  # which the next one says all about
                "near contact:water level",
            }
            wait_for(lambda: raised <= set(states()), what="all alarms", limit=60)
            # None of the thirteen probes behind the cable adds an alarm of its own.
            assert set(states()) == raised
            now = longsoak("now", tmp_path / "rig" / "rig.toml")
            assert now.stdout.count("missing: its bus is down") == 13
            assert "Alarm: Overfill, catch tray: new, not acknowledged" in now.stdout
            # Overfill goes 30 s after the water; the meter is opened within 30 s of its return.
            wait_for(
                lambda: (
                    states().pop("overfill:water level", None) is AlarmState.NORMAL
                    and list(states().values()).count(AlarmState.GONE) == 3
                ),
                what="the end of all",
                limit=120,
            )
            # What followed from another was recorded, and told to nobody.
            changes = record.alarm_changes_after(0, limit=999)
            assert not any(c.told for c in changes if c.key == "overfill:water level")
            latest = record.latest(("cork 30/60", "meter reference"))
            assert {reading.flag for reading in latest.values()} == {Flag.PASS}
        finally:
            demo.terminate()
            assert demo.wait(60) == 0
