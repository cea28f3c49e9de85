"""What tests of several folders share."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings
from playwright.sync_api import Browser, sync_playwright

# How long an example takes says nothing on a machine that runs other tests beside it.
settings.register_profile("here", deadline=None)
settings.load_profile("here")

_SPREAD = 0.8  # of a run, in which the tests of whole programs have all begun


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Spread the files that mostly wait for whole programs between those that need the processor.

    Left for the end, the longest of them would keep one worker busy while the others have nothing
    to do.
    """
    files = list(dict.fromkeys(item.path for item in items))
    place: dict[Path, float] = {}
    for whole, upto in ((True, _SPREAD), (False, 1.0)):
        some = [file for file in files if (file.parent.name == "whole") is whole]
        place |= {file: upto * number / len(some) for number, file in enumerate(some)}
    items.sort(key=lambda item: place[item.path])


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One headless browser for a file's tests; two would not do in one process."""
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox"]
        )
        yield chromium
        chromium.close()
