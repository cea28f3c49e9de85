"""The virtual machine is started once, for all tests of this folder."""

from collections import Counter
from pathlib import Path

import pytest

from kernel import machine

Told = dict[str, dict[str, object]]

_version = pytest.StashKey[object]()


@pytest.fixture(scope="session")
def told(request: pytest.FixtureRequest) -> Told:
    """What the guest told, by what it is about."""
    facts = {str(fact.pop("what")): fact for fact in machine.run()}
    request.config.stash[_version] = facts["kernel"]["version"]
    return facts


def pytest_unconfigure(config: pytest.Config) -> None:
    """Say in a last line what was shown, driver by driver."""
    reporter = config.pluginmanager.getplugin("terminalreporter")
    if reporter is None:
        return
    counts = {
        outcome: Counter(
            Path(report.nodeid.partition("::")[0]).stem.removeprefix("test_")
            for report in reporter.getreports(outcome)
        )
        for outcome in ("passed", "failed", "error")
    }
    shown = ", ".join(f"{driver} {n}" for driver, n in sorted(counts["passed"].items()))
    other = ", ".join(
        f"{driver} {n}" for driver, n in sorted((counts["failed"] + counts["error"]).items())
    )
    reporter.write_line(
        f"kernel: shipped drivers on Linux {config.stash.get(_version, '(not started)')}, checks "
        f"shown: {shown or 'none'}; not shown: {other or 'none'}"
    )
