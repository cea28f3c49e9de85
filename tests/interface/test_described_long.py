"""The same as `pages/test_interface_described.py` for an hour of a tester's patience, by name only.

``sh tests/run.sh interface``
"""

from collections.abc import Iterator

import pytest

from pages.interface import ASKED, Way, something_of_everything, try_out
from pages.serving import Served, serve

EXAMPLES = 2000


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Served, tuple[str, ...]]]:
    """A record with something of everything, and the names of its probes."""
    kept = something_of_everything(tmp_path_factory.mktemp("everything"))
    with serve(kept.rig_file) as pages:
        yield pages, tuple(probe.name for probe in kept.rig.probes)
    kept.close()


@pytest.mark.timeout(1800)
@pytest.mark.parametrize(("path", "way"), ASKED)
def test_each_answer_is_as_the_document_says(
    served: tuple[Served, tuple[str, ...]], path: str, way: Way
) -> None:
    pages, probes = served
    assert try_out(pages, path, way, probes=probes, examples=EXAMPLES) >= (way is Way.THERE)
