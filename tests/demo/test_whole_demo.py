"""The demo as a person starts it: simulated hardware, the shipped programs, a clean end."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from longsoak_demo.folder import DemoFolder
from longsoak_demo.places import PLACES
from waiting import wait_for


@contextmanager
def demo(folder: Path, *options: str) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-m", "longsoak_demo", "--folder", str(folder), *options]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.terminate()
            process.wait(40)


def said(word: str, log: Path) -> None:
    wait_for(lambda: word in log.read_text(), what=f"{word!r} in the log")


def programs_of(folder: Path) -> list[str]:
    """Command lines of all processes that have `folder` among their arguments."""
    found = []
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            line = entry.read_bytes().replace(b"\0", b" ").decode(errors="replace")
        except OSError:  # it ended meanwhile
            continue
        if str(folder) in line:
            found.append(line)
    return found


def test_a_short_run_ends_with_a_good_reading_of_every_probe(tmp_path: Path) -> None:
    with demo(tmp_path / "rig", "--for", "6", "--no-pages") as process:
        printed, _ = process.communicate(timeout=60)
    assert process.returncode == 0, printed
    assert "All data in it are invented." in printed
    assert printed.count(" pass") == len(PLACES)
    assert printed.endswith("Stopping.\nAll stopped.\n")
    assert not programs_of(tmp_path)


@pytest.mark.parametrize("listening", [True, False], ids=["heard", "with nobody listening"])
def test_a_demo_told_to_stop_stops_its_programs_first(tmp_path: Path, listening: bool) -> None:
    with demo(tmp_path / "rig", "--no-pages") as process:
        assert process.stdout is not None
        for line in process.stdout:
            if line.startswith("Stop with"):
                break
        said(": open", tmp_path / "rig" / "log" / "run.txt")
        assert any("longsoak run" in line for line in programs_of(tmp_path))
        if not listening:
            process.stdout.close()
        os.kill(process.pid, signal.SIGTERM)
        assert process.wait(40) == 0
        if listening:
            assert process.stdout.read() == "Stopping.\nAll stopped.\n"
    assert not programs_of(tmp_path)
    assert (tmp_path / "rig" / "state.json").exists()


def test_a_program_that_cannot_run_ends_the_demo_with_its_last_words(tmp_path: Path) -> None:
    DemoFolder(tmp_path / "rig", fresh=False).release()
    record = tmp_path / "rig" / "record" / "record.db"
    record.mkdir(parents=True)  # no file, so none to set aside
    with demo(tmp_path / "rig", "--no-pages") as process:
        printed, _ = process.communicate(timeout=60)
    assert process.returncode == 1
    assert "recording goes on" in printed
    assert "longsoak run ended by itself with exit code" in printed
