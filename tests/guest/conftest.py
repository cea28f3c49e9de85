"""The guest is made and switched on once, for all tests of this folder."""

from collections.abc import Callable, Iterator
from functools import partial

import pytest

from guest.machine import Guest, guest
from guest.root import make_disk

_SHOWN = "shown"


@pytest.fixture(scope="session")
def rig() -> Iterator[Guest]:
    """The guest, switched on."""
    with guest(*make_disk()) as it:
        it.switch_on()
        yield it


@pytest.fixture
def shown(record_property: Callable[[str, object], None]) -> Callable[[str], None]:
    """Takes what is said in a last line; by whichever process the test ran in."""
    return partial(record_property, _SHOWN)


def pytest_unconfigure(config: pytest.Config) -> None:
    """Say in a last line how far systemd's side was shown."""
    reporter = config.pluginmanager.getplugin("terminalreporter")
    if reporter is None:
        return
    reports = {outcome: reporter.getreports(outcome) for outcome in ("passed", "failed", "error")}
    here = {
        outcome: [report for report in some if "guest/test_guest" in report.nodeid]
        for outcome, some in reports.items()
    }
    if not any(here.values()):
        return
    facts = [fact for one in here["passed"] for name, fact in one.user_properties if name == _SHOWN]
    reporter.write_line(
        f"guest: the units under a real systemd, checks shown: {len(here['passed'])}, not shown: "
        f"{len(here['failed']) + len(here['error'])}" + "".join(f"; {fact}" for fact in facts)
    )
