"""The command line as such: what is told of Ctrl-C, and of files that are none."""

import os
import pty
import select
import signal
import subprocess
import time
from pathlib import Path

import pytest

from processes import COMMAND, longsoak
from unprivileged import as_reader, modes
from whole.thermorig import lay_out

IN_MODULES = """
import signal, sys
from importlib.abc import MetaPathFinder

class Interrupt(MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            signal.raise_signal(signal.SIGINT)

from longsoak.cli.main import main
sys.meta_path.insert(0, Interrupt())
sys.argv = ["longsoak", *{arguments!r}]
main()
"""


@pytest.mark.parametrize("module", ["click", "longsoak.cli.group", "longsoak.cli.now", "pydantic"])
def test_an_interrupt_while_still_importing_ends_in_one_line(tmp_path: Path, module: str) -> None:
    rig_file = lay_out(tmp_path)
    code = IN_MODULES.format(module=module, arguments=["now", str(rig_file)])
    python = COMMAND.parent / "python"
    ended = subprocess.run(
        [python, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )
    assert (ended.returncode, ended.stdout, ended.stderr) == (130, "", "Interrupted.\n")


def test_ctrl_c_at_a_terminal_ends_any_wait_in_one_line(tmp_path: Path) -> None:
    """As typed: the terminal sends the signal, to a command that reads a pipe nobody fills."""
    pipe = tmp_path / "rig.toml"
    os.mkfifo(pipe)
    keyboard, terminal = pty.openpty()
    process = subprocess.Popen(
        [COMMAND, "check", pipe],
        stdin=terminal,
        stdout=terminal,
        stderr=terminal,
        start_new_session=True,
        preexec_fn=_take_terminal,
    )
    os.close(terminal)
    filler = os.open(pipe, os.O_WRONLY)  # returns once the command waits at the other end
    os.write(keyboard, b"\x03")
    assert process.wait(20) == 130
    os.close(filler)
    said = b""
    until = time.monotonic() + 5
    while b"\n" not in said and time.monotonic() < until:
        if select.select([keyboard], [], [], 0.1)[0]:
            said += os.read(keyboard, 1000)
    os.close(keyboard)
    assert said.decode().removeprefix("^C").strip() == "Interrupted."


def _take_terminal() -> None:
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


def test_an_ignored_interrupt_stays_ignored(tmp_path: Path) -> None:
    pipe = tmp_path / "rig.toml"
    os.mkfifo(pipe)
    process = subprocess.Popen(
        [COMMAND, "check", pipe],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_IGN),
    )
    filler = os.open(pipe, os.O_WRONLY)
    process.send_signal(signal.SIGINT)
    os.write(filler, b"[rig\n")
    os.close(filler)
    _, said = process.communicate(timeout=20)
    assert process.returncode == 2
    assert "rig.toml:1: the line is [rig, expected a header" in said


READS_A_RIG = [
    ("check", "{file}"),
    ("run", "{file}"),
    ("now", "{file}"),
    ("ack", "--rig", "{file}"),
    ("ack", "silent:T1", "--by", "mk", "--rig", "{file}"),
    ("curves", "--rig", "{file}"),
]


@pytest.mark.parametrize("command", READS_A_RIG, ids=" ".join)
def test_every_command_tells_of_a_file_that_is_none_in_the_same_words(
    tmp_path: Path, command: tuple[str, ...]
) -> None:
    good = lay_out(tmp_path)
    (tmp_path / "record").mkdir()

    def said(file: Path) -> str:
        ended = as_reader(*(word.format(file=file) for word in command))
        assert ended.returncode == 2, ended.stderr
        assert ended.stdout == ""
        return ended.stderr.removesuffix("1 mistake; nothing was started.\n")

    mistyped = tmp_path / "rgi.toml"
    assert said(mistyped) == (
        f"{mistyped}: the file is not there, expected a rig file this user may read. "
        "Correct its name, or go to the folder it lies in.\n"
    )
    assert said(tmp_path) == (
        f"{tmp_path}: the file is a folder, expected a rig file this user may read. "
        f"Name the file in it, for example {tmp_path}/rig.toml.\n"
    )
    with modes(good, folders=0o700, files=0o000):
        assert said(good) == (
            f"{good}: the file is closed to this user, expected a rig file this user may read. "
            "Let this user read it, or run this as its owner.\n"
        )


def test_a_command_nobody_knows_is_told_with_the_nearest() -> None:
    ended = longsoak("chekc")
    assert ended.returncode == 2
    assert "There is no command 'chekc'. Did you mean 'check'?" in ended.stderr


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (
            ("topup", "rig.toml"),
            "longsoak topup also needs --by (Your initials, for the logbook). ",
        ),
        (("export", "rig.toml"), "longsoak export also needs OUT. "),
    ],
)
def test_what_is_missing_is_told_with_an_example(arguments: tuple[str, ...], says: str) -> None:
    ended = longsoak(*arguments)
    assert ended.returncode == 2
    told = ended.stderr.splitlines()[-1]
    assert told.startswith(f"Error: {says}Example: longsoak {arguments[0]} rig.toml ")
