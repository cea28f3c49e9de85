"""One process for all tests of the firmware; each begins with a power cycle."""

from collections.abc import Iterator

import pytest

from frontend.running import Bench, bench


@pytest.fixture(scope="session")
def process(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with bench(tmp_path_factory.mktemp("frontend")) as running:
        yield running


@pytest.fixture
def front_end(process: Bench) -> Iterator[Bench]:
    """A front end for a test to `begin` with; what befell its electrodes is looked at after."""
    yield process
    seen = process.ask()
    assert seen["faults"] == []
    for name, (forward, backward, _) in seen["energised"].items():
        # As much charge one way as the other, or the electrodes would corrode.
        assert forward == pytest.approx(backward, rel=0.01), name
