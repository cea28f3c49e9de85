"""demo/start.sh on machines this one is not: no venv module, not root, no Python at all.

Python, apt-get and id are stand-ins on a path of their own; the script under test is the real one.
"""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]

PYTHON = """#!/bin/sh
# Stands in for a Python whose venv module comes with a package.
printf '%s\\n' "$*" >>"$NOTES/python"
case "$*" in
*"import ensurepip, venv"*) [ -e "$NOTES/installed" ] ;;
*"print("*) echo 3.11 ;;
"-m venv "*) mkdir -p "$3/bin" && cp "$0" "$3/bin/python" ;;
"--version") echo "Python 3.11.0" ;;
"-m longsoak_demo"*) echo "started with $*" ;;
esac
"""
APT = """#!/bin/sh
printf '%s\\n' "$*" >>"$NOTES/apt"
case "$*" in *install*) [ ! -e "$NOTES/offline" ] && touch "$NOTES/installed" ;; esac
"""


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    """A clone, and a folder of commands in which a Python without venv is the only one."""
    (tmp_path / "a clone" / "demo").mkdir(parents=True)
    shutil.copy(TOP / "demo" / "start.sh", tmp_path / "a clone" / "demo")
    shutil.copy(TOP / "pyproject.toml", tmp_path / "a clone")
    commands = tmp_path / "commands"
    commands.mkdir()
    for name in ("sh", "dirname", "cksum", "cat", "mkdir", "cp", "rm", "touch", "printf"):
        (commands / name).symlink_to(shutil.which(name) or name)
    put(commands / "python3", PYTHON)
    put(commands / "apt-get", APT)
    put(commands / "id", "#!/bin/sh\necho 0\n")
    (tmp_path / "notes").mkdir()
    return tmp_path


def put(path: Path, text: str) -> None:
    path.write_text(text)
    path.chmod(0o755)


def start(machine: Path, *options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", "demo/start.sh", *options],
        cwd=machine / "a clone",
        env={"PATH": os.fspath(machine / "commands"), "NOTES": os.fspath(machine / "notes")},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_a_missing_venv_module_is_told_and_installed_as_root(machine: Path) -> None:
    started = start(machine, "--for", "60")
    assert started.returncode == 0, started.stderr
    assert "python3 has no venv module" in started.stdout
    assert "Installing it with apt-get." in started.stdout
    assert "install" in (machine / "notes" / "apt").read_text()
    folder = machine / "a clone" / "demo" / "rig"
    assert f"started with -m longsoak_demo --folder {folder} --for 60" in started.stdout


def test_a_second_start_installs_nothing_again(machine: Path) -> None:
    assert start(machine).returncode == 0
    for note in ("apt", "python"):
        (machine / "notes" / note).unlink()
    again = start(machine)
    assert again.returncode == 0
    assert not (machine / "notes" / "apt").exists()
    assert "pip install" not in (machine / "notes" / "python").read_text()
    assert again.stdout.startswith("started with")


def test_without_root_the_command_to_run_is_told(machine: Path) -> None:
    put(machine / "commands" / "id", "#!/bin/sh\necho 1000\n")
    started = start(machine)
    assert started.returncode == 2
    assert "sudo apt-get install python3.11-venv" in started.stderr
    assert not (machine / "notes" / "apt").exists()


def test_an_installation_that_fails_is_told_with_what_to_try(machine: Path) -> None:
    (machine / "notes" / "offline").touch()
    started = start(machine)
    assert started.returncode == 2
    assert "apt-get install python3-venv" in started.stderr


def test_without_a_python_that_fits_nothing_is_started(machine: Path) -> None:
    put(machine / "commands" / "python3", "#!/bin/sh\nexit 1\n")
    started = start(machine)
    assert started.returncode == 2
    assert "needs Python 3.11, 3.12 or 3.13" in started.stderr
