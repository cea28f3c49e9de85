"""Fixtures of the demo's tests."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from demo.running import Running


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Running]:
    """The simulated hardware, running; its simulated time stands still."""
    running = Running(tmp_path)
    running.start()
    yield running
    running.stop()
