"""`longsoak backup` and `longsoak restore` as a person runs them."""

import json
import os
import signal
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from longsoak.cli.group import longsoak
from longsoak.store.backups import found_in
from processes import COMMAND
from rigs import START_MS, Keeper, small_rig
from unprivileged import as_reader, only_read
from waiting import wait_for
from whole.thermorig import lay_out


def a_rig(home: Path, *, scans: int = 20, more: str = "") -> Path:
    rig_file = lay_out(home, more=more)
    with Keeper(home / "record", small_rig()) as keeper:
        keeper.writer.accept_rig(rig_file.read_text(), utc_ms=START_MS)
        keeper.scans([{"C 10/60": 12.0, "T core": 20.0}] * scans)
    return rig_file


def asked(*arguments: str | Path) -> Result:
    """Run one command to its end, in this process."""
    return CliRunner().invoke(longsoak, list(map(str, arguments)))


def test_from_a_backup_to_a_new_card(tmp_path: Path) -> None:
    rig_file, stick = a_rig(tmp_path / "rig"), tmp_path / "stick"
    stick.mkdir()
    made = asked("backup", rig_file, stick)
    assert made.exit_code == 0
    assert "20 scans, 40 readings, until 4 May 2026, 09:00:20 UTC" in made.stdout
    assert "Caution" in made.stderr
    (found,) = found_in(stick, "thermometers")

    checked = asked("restore", "--check", rig_file, found.folder)
    assert checked.exit_code == 0
    assert f"{found.folder.name} is whole: 20 scans, 40 readings" in checked.stdout

    (tmp_path / "new").mkdir()
    put_back = asked("restore", tmp_path / "new" / "rig.toml", found.folder)
    assert put_back.exit_code == 0
    assert f"Wrote {tmp_path / 'new' / 'rig.toml'}" in put_back.stdout
    assert (tmp_path / "new" / "rig.toml").read_bytes() == rig_file.read_bytes()
    # One that is whole again can be backed up and restored over, as JSON for a script.
    again = asked("restore", tmp_path / "new" / "rig.toml", found.folder, "--json")
    said = json.loads(again.stdout)
    assert said["set_aside"] == str(tmp_path / "new" / "record.before-restore-1")
    assert (said["until"], said["scans"]) == ("2026-05-04T09:00:20.000Z", 20)


def test_what_lies_between_the_backup_and_the_record_set_aside_is_told(tmp_path: Path) -> None:
    rig_file = a_rig(tmp_path / "rig")
    (tmp_path / "stick").mkdir()
    made = json.loads(asked("backup", rig_file, tmp_path / "stick", "--json").stdout)
    with Keeper(tmp_path / "rig" / "record", small_rig(), start_ms=START_MS + 7_200_000) as keeper:
        keeper.scan({"C 10/60": 12.0, "T core": 20.0})
    done = asked("restore", rig_file, made["backup"])
    assert done.exit_code == 0
    assert "record.before-restore-1" in done.stdout
    assert "It goes on until 4 May 2026, 11:00:01 UTC, 2 h 00 after the backup" in done.stdout


def test_bad_input_ends_with_2_and_what_is_damaged_with_1(tmp_path: Path) -> None:
    rig_file, stick = a_rig(tmp_path / "rig"), tmp_path / "stick"
    nowhere = asked("backup", rig_file, stick)
    assert nowhere.exit_code == 2
    assert f"{stick} is not there" in nowhere.stderr
    planless = asked("backup", rig_file)
    assert planless.exit_code == 2
    assert "has no [backup], so say where to" in planless.stderr
    stick.mkdir()
    asked("backup", rig_file, stick)
    (found,) = found_in(stick, None)
    unnamed = asked("restore", rig_file, stick)
    assert unnamed.exit_code == 2
    assert str(found.folder) in unnamed.stderr
    other = tmp_path / "other"
    other.mkdir()
    (other / "rig.toml").write_text(rig_file.read_text().replace('"thermometers"', '"another"'))
    mixed_up = asked("restore", other / "rig.toml", found.folder)
    assert mixed_up.exit_code == 2
    assert "rig.name is 'another'" in mixed_up.stderr
    assert not (other / "record").exists()
    (found.folder / "rig.toml").write_text("")
    for arguments in (("--check",), ()):
        damaged = asked("restore", *arguments, rig_file, found.folder)
        assert damaged.exit_code == 1
        assert "the backup is damaged" in damaged.stderr
        assert damaged.stderr.count("\n") == 1


def test_a_plan_in_the_rig_file_says_where_to(tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    stick.mkdir()
    rig_file = a_rig(tmp_path / "rig", more=f'\n[backup]\nto = "{stick}"\nkeep = 1\n')
    for _ in range(2):
        assert asked("backup", rig_file).exit_code == 0
    assert len(found_in(stick, "thermometers")) == 1


def test_a_rig_file_being_edited_does_not_hold_a_backup_up(tmp_path: Path) -> None:
    rig_file, stick = a_rig(tmp_path / "rig"), tmp_path / "stick"
    stick.mkdir()
    rig_file.write_text(rig_file.read_text() + "\n[backup\n")
    assert asked("backup", rig_file, stick).exit_code == 0
    (found,) = found_in(stick, "thermometers")
    assert (found.folder / "rig.toml").read_bytes() == rig_file.read_bytes()


def test_somebody_who_may_only_read_the_record_backs_it_up(tmp_path: Path) -> None:
    rig_file, stick = a_rig(tmp_path / "rig"), tmp_path / "stick"
    stick.mkdir()
    with only_read(tmp_path / "rig"):
        done = as_reader("backup", rig_file, stick)
    assert done.returncode == 0, done.stderr
    assert found_in(stick, None)[0].manifest.scans == 20
    with only_read(stick):
        refused = as_reader("backup", rig_file, stick)
    assert refused.returncode == 2
    assert "may not write" in refused.stderr


def on_a_small_disk(folder: Path, megabytes: int, script: str) -> subprocess.CompletedProcess[str]:
    """Run a script where a file system of its own is mounted at `folder`, and nobody else sees it.

    With a user namespace root is not needed; where a kernel allows neither, this is not shown.
    """
    mount = f'mount -t tmpfs -o size={megabytes}m none "{folder}" && '
    ended = subprocess.run(
        ["unshare", "--map-root-user", "--mount", "sh", "-c", f"{mount}{script}"],
        capture_output=True, text=True, timeout=60, check=False,
        env={**os.environ, "LC_ALL": "C.UTF-8"},
    )  # fmt: skip
    if "unshare" in ended.stderr or "permission denied" in ended.stderr:
        pytest.skip("nothing can be mounted here")
    return ended


def test_a_stick_that_is_mounted_is_taken_and_one_too_small_is_refused(tmp_path: Path) -> None:
    rig_file, stick = a_rig(tmp_path / "rig"), tmp_path / "stick"
    stick.mkdir()
    line = f'"{COMMAND}" backup "{rig_file}" "{stick}" --mounted'
    done = on_a_small_disk(stick, 20, f'{line} && ls "{stick}"')
    assert done.returncode == 0, done.stderr
    assert "same disk" not in done.stderr
    assert "thermometers 20" in done.stdout
    full = on_a_small_disk(stick, 1, line)
    assert full.returncode == 2
    assert "has 1.0 MB free, and this backup needs 2." in full.stderr
    assert asked("backup", rig_file, stick, "--mounted").exit_code == 2
    assert list(stick.iterdir()) == []


def test_a_disk_that_fills_up_meanwhile_leaves_nothing_half_made(tmp_path: Path) -> None:
    rig_file, stick = a_rig(tmp_path / "rig", scans=60_000), tmp_path / "stick"
    stick.mkdir()
    # The room is there when it is asked for, and gone when it is written to.
    script = (
        "import sys; from longsoak.store import target; target.room = lambda _: 10**9\n"
        "from longsoak.cli.backup import backup; backup()"
    )
    python = COMMAND.with_name("python")
    done = on_a_small_disk(
        stick,
        2,
        f'"{python}" -c \'{script}\' "{rig_file}" "{stick}"; e=$?; ls -A "{stick}"; exit $e',
    )
    assert done.returncode == 1, done.stderr
    assert "no backup was made" in done.stderr
    assert "full" in done.stderr
    assert done.stdout.split() == [".longsoak-backup.lock"]


def test_one_that_is_ended_by_its_parent_clears_up(tmp_path: Path) -> None:
    rig_file, stick = a_rig(tmp_path / "rig"), tmp_path / "stick"
    stick.mkdir()
    slowly = (
        "import runpy, time; from longsoak.store import media\n"
        "media.digest = lambda *_, **__: time.sleep(30)\n"  # a stick that takes its time
        "runpy.run_module('longsoak.cli.backup', run_name='__main__')"
    )
    command: list[str | Path] = [COMMAND.with_name("python"), "-c", slowly, rig_file, stick]
    with subprocess.Popen(command, stderr=subprocess.PIPE) as process:
        wait_for(lambda: list(stick.glob(".*.part/record.db")), what="half a backup")
        process.terminate()
        assert process.wait(20) == 128 + signal.SIGTERM
    assert [path.name for path in stick.iterdir()] == [".longsoak-backup.lock"]
