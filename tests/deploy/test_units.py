"""The systemd units: every key known, every program called as it is built."""

import configparser
import json
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
    text = re.sub(r"^(Exec\w+)=\S+", r"\1=/bin/true", unit.read_text(), flags=re.MULTILINE)
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


# What may be open to a service at most, as `systemd-analyze` counts it: 0 is nothing, 10 all.
EXPOSED_AT_MOST = 2.1


def exposure(unit: Path) -> tuple[float, dict[str, float]]:
    """What `systemd-analyze` counts in all, and for each setting that counts."""
    arguments = ("security", "--offline=true", "--no-pager")
    said = subprocess.run(
        ["systemd-analyze", *arguments, unit], capture_output=True, text=True, check=True
    )
    told = subprocess.run(
        ["systemd-analyze", *arguments, "--json=short", unit],
        capture_output=True,
        text=True,
        check=True,
    )
    overall = re.search(r"Overall exposure level for \S+: (\d+\.\d)", said.stdout)
    assert overall is not None
    assert "Unknown" not in said.stderr + told.stderr
    counted = {one["name"]: float(one["exposure"] or 0) for one in json.loads(told.stdout)}
    return float(overall[1]), {name: points for name, points in counted.items() if points > 0}


@pytest.mark.parametrize("unit", UNITS, ids=lambda path: path.name)
def test_little_of_the_system_is_open_to_each_unit(unit: Path) -> None:
    assert exposure(unit)[0] <= EXPOSED_AT_MOST


@pytest.mark.parametrize("name", ["longsoak.service", "longsoak-pages.service"])
def test_each_point_that_is_left_is_explained_in_the_unit(name: str) -> None:
    text = (DEPLOY / name).read_text()
    for setting, points in exposure(DEPLOY / name)[1].items():
        # "SystemCallFilter=~@clock" is "@clock", "RootDirectory=/RootImage=" its first word.
        word = re.sub(r"^(SystemCallFilter|RestrictAddressFamilies)=~", "", setting)
        word = re.split(r"[=/]", word)[0].replace("(INET|INET6)", "INET")
        assert f"{points:.1f} {word}" in text, setting


def test_a_key_that_is_mistyped_is_found(tmp_path: Path) -> None:
    """Or the tests above would pass over it: systemd only warns."""
    unit = tmp_path / "longsoak.service"
    text = (DEPLOY / unit.name).read_text()
    unit.write_text(text.replace("\nProtectHostname=", "\nProtectHostnames="))
    with pytest.raises(AssertionError, match="Unknown"):
        exposure(unit)


def test_serial_ports_are_allowed_by_number_for_adapters_that_come_later() -> None:
    """A name is looked up in /proc/devices when the service starts, and is not there yet.

    Source: systemd, src/core/bpf-devices.c (read). Numbers: Linux, admin-guide/devices.txt (from
    memory; the guest of tests/guest shows the one of USB adapters).
    """
    text = (DEPLOY / "longsoak.service").read_text()
    allowed = re.findall(r"^DeviceAllow=(\S+) rw$", text, re.MULTILINE)
    serial = {"ttyS": "char-4", "ttyAMA": "char-204", "ttyUSB": "char-188", "ttyACM": "char-166"}
    assert {*serial.values(), "char-89", "char-gpiochip"} == set(allowed)


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
