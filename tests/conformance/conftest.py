"""The example driver as somebody else's: installed, and on the kit in a program of its own."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

EXAMPLE = Path(__file__).parent / "example"


@pytest.fixture(scope="session")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example as pip installs it, in a folder of its own."""
    folder = tmp_path_factory.mktemp("site")
    quiet = ["--quiet", "--disable-pip-version-check", "--no-deps", "--no-build-isolation"]
    subprocess.run(
        [sys.executable, "-m", "pip", "install", *quiet, "--target", folder, EXAMPLE],
        check=True,
        timeout=120,
    )
    assert (folder / "fourtemps.py").exists()
    return folder


@pytest.fixture(scope="session")
def kit_run(installed: Path) -> Iterator["subprocess.Popen[str]"]:
    """The kit under the standard library's test runner, on what was installed."""
    checks = (EXAMPLE / "check_fourtemps.py").read_text()
    (installed / "check_fourtemps.py").write_text(checks)
    with subprocess.Popen(
        [sys.executable, "-W", "error", "-m", "unittest", "-v", "check_fourtemps"],
        cwd=installed,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as process:
        yield process
        process.kill()
