"""The locks: all that is installed is in them, at a version that fits, with its checksums."""

import re
import tomllib
from pathlib import Path

import pytest
from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

TOP = Path(__file__).parents[2]
DEPLOY = TOP / "deploy"
ABOUT = tomllib.loads((TOP / "pyproject.toml").read_text())
EXTRAS = ("modbus", "gpio", "analysis", "report")
LOCKS = ("requirements.lock", "build.lock")
PYTHONS = ("3.11", "3.12", "3.13")
MACHINES = ("x86_64", "aarch64")


def entries(lock: str) -> list[tuple[Requirement, list[str]]]:
    text = (DEPLOY / lock).read_text().replace("\\\n", " ")
    found = []
    for line in text.splitlines():
        if not line.startswith("#"):
            named, *hashes = line.split(" --hash=")
            found.append((Requirement(named.strip()), [each.strip() for each in hashes]))
    return found


def direct() -> list[Requirement]:
    project = ABOUT["project"]
    asked = [Requirement(line) for line in project["dependencies"]]
    for extra in EXTRAS:
        asked += map(Requirement, project["optional-dependencies"][extra])
    return [one for one in asked if one.name != "longsoak"]  # an extra of our own among them


def locked(lock: str, python: str, machine: str) -> dict[str, Version]:
    """What is installed there, by name."""
    there = {
        "python_version": python,
        "python_full_version": f"{python}.2",
        "platform_machine": machine,
        "implementation_name": "cpython",
        "platform_python_implementation": "CPython",
        "sys_platform": "linux",
        "platform_system": "Linux",
        "os_name": "posix",
    }
    found: dict[str, Version] = {}
    for entry, _ in entries(lock):
        if entry.marker is None or Marker(str(entry.marker)).evaluate(there):
            name = canonicalize_name(entry.name)
            assert name not in found, name
            (pinned,) = entry.specifier
            assert pinned.operator == "=="
            found[name] = Version(pinned.version)
    return found


@pytest.mark.parametrize("machine", MACHINES)
@pytest.mark.parametrize("python", PYTHONS)
def test_every_dependency_is_locked_at_a_version_that_fits(python: str, machine: str) -> None:
    there = locked("requirements.lock", python, machine)
    wrong = {
        str(asked): str(there.get(canonicalize_name(asked.name)))
        for asked in direct()
        if canonicalize_name(asked.name) not in there
        or there[canonicalize_name(asked.name)] not in asked.specifier
    }
    assert wrong == {}, "run: sh deploy/lock.sh"


def test_what_builds_it_is_locked() -> None:
    (asked,) = map(Requirement, ABOUT["build-system"]["requires"])
    assert locked("build.lock", "3.11", "x86_64")[asked.name] in asked.specifier


@pytest.mark.parametrize("lock", LOCKS)
def test_every_entry_has_checksums(lock: str) -> None:
    wrong = [
        str(entry)
        for entry, hashes in entries(lock)
        if not hashes or not all(re.fullmatch("sha256:[0-9a-f]{64}", each) for each in hashes)
    ]
    assert wrong == []


@pytest.mark.parametrize("lock", LOCKS)
def test_no_lock_says_where_from(lock: str) -> None:
    text = (DEPLOY / lock).read_text()
    assert re.findall(r"://|--(?:extra-)?index|--find-links|--trusted", text) == []
