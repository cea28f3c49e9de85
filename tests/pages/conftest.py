"""A served rig, for the tests that need one."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from pages.pagerig import Kept, keep
from pages.serving import Served, now_ms, serve


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    """The usual rig with two scans, the last of them just now."""
    now = now_ms()
    rig = keep(tmp_path / "rig", times=[now - 900_000, now - 1000], now_ms=now)
    yield rig
    rig.close()


@pytest.fixture(scope="module")
def at_rest(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The same, served, for the tests of a file that write nothing into it."""
    now = now_ms()
    rig = keep(tmp_path_factory.mktemp("at-rest"), times=[now - 900_000, now - 1000], now_ms=now)
    with serve(rig.rig_file) as pages:
        yield pages
    rig.close()


@pytest.fixture
def served(kept: Kept) -> Iterator[Served]:
    """`longsoak pages` serving it."""
    with serve(kept.rig_file) as pages:
        yield pages
