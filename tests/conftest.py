"""What tests of several folders share."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, sync_playwright


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One headless browser for a file's tests; two would not do in one process."""
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox"]
        )
        yield chromium
        chromium.close()
