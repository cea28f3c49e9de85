"""The systemd units: every key known, every program called as it is built."""

import re
import subprocess
from pathlib import Path

import pytest

from processes import longsoak

UNITS = sorted((Path(__file__).parents[2] / "deploy").glob("*.service"))


@pytest.mark.parametrize("unit", UNITS, ids=lambda path: path.name)
def test_systemd_finds_nothing_to_complain_of(unit: Path, tmp_path: Path) -> None:
    # The command is not installed here, and a missing program is a complaint of its own.
    text = re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", unit.read_text(), flags=re.MULTILINE)
    (tmp_path / unit.name).write_text(text)
    checked = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", tmp_path / unit.name],
        capture_output=True,
        text=True,
        check=False,
    )
    complaints = [line for line in checked.stderr.splitlines() if unit.name in line]
    assert (checked.returncode, complaints) == (0, [])  # a mistyped key only warns


@pytest.mark.parametrize("unit", UNITS, ids=lambda path: path.name)
def test_the_command_takes_the_units_arguments(unit: Path) -> None:
    started = re.search(r"^ExecStart=\S+/longsoak (\w+) \S+ ?(.*)$", unit.read_text(), re.MULTILINE)
    assert started is not None
    command, options = started.groups()
    shown = longsoak(command, "--help").stdout
    assert all(option in shown for option in re.findall(r"--[\w-]+", options))
