"""The systemd units: every key known, every program called as it is built."""

import configparser
import re
import subprocess
from pathlib import Path

import pytest

from processes import longsoak

DEPLOY = Path(__file__).parents[2] / "deploy"
UNITS = sorted(DEPLOY.glob("*.service"))
TIMERS = sorted(DEPLOY.glob("*.timer"))


@pytest.mark.parametrize("unit", [*UNITS, *TIMERS], ids=lambda path: path.name)
def test_systemd_finds_nothing_to_complain_of(unit: Path, tmp_path: Path) -> None:
    # The command is not installed here, and a missing program is a complaint of its own.
    text = re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", unit.read_text(), flags=re.MULTILINE)
    (tmp_path / unit.name).write_text(text)
    if unit in TIMERS:  # what it starts is asked for too
        (tmp_path / unit.with_suffix(".service").name).write_text(
            "[Service]\nType=oneshot\nExecStart=/bin/true\n"
        )
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
    started = re.search(r"^ExecStart=\S+/longsoak (\w+) (.*)$", unit.read_text(), re.MULTILINE)
    assert started is not None
    command, options = started.groups()
    shown = longsoak(command, "--help").stdout
    assert all(option in shown for option in re.findall(r"--[\w-]+", options))


def settings(unit: str) -> dict[str, dict[str, str]]:
    found = configparser.RawConfigParser(strict=False)
    found.optionxform = str  # type: ignore[assignment, method-assign]  # keys are written as they are
    found.read_string((DEPLOY / unit).read_text())
    return {name: dict(found[name]) for name in found.sections()}


def test_the_measuring_unit_is_started_again_for_ever_and_watched() -> None:
    unit = settings("longsoak.service")
    # In [Service] it would be ignored without a word, and five quick ends would be the last
    # (pitfalls seen by others; systemd.unit(5), from memory).
    assert unit["Unit"]["StartLimitIntervalSec"] == "0"
    assert (unit["Service"]["Type"], unit["Service"]["Restart"]) == ("notify", "always")
    minutes = re.fullmatch(r"(\d+)min", unit["Service"]["WatchdogSec"])
    assert minutes is not None
    # Above what a whole stop may take, for nothing is told while it stops.
    assert 60 * int(minutes[1]) >= 2 * float(unit["Service"]["TimeoutStopSec"])
