"""Each sheet keeps nobody out, in the first of its states; `tests/sheets` looks at all of them."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser
from starlette.routing import Mount, Route

from longsoak_dashboards.access.rights import Access
from longsoak_dashboards.app import create_app
from longsoak_dashboards.source import Source
from pages.everysheet import NO_SHEETS, SHEETS, Look
from pages.serving import Served
from sheets.test_every_sheet import no_rule_is_broken, states

__all__ = ["states"]  # a fixture
FIRST = [looks[0] for looks in SHEETS.values()]


def test_every_sheet_of_the_app_is_among_those_looked_at(tmp_path: Path) -> None:
    routes = create_app(
        Source(tmp_path / "rig.toml"), host="x", access=Access(tmp_path / "rig.toml")
    ).routes
    found = {
        route.path
        for route in routes
        if isinstance(route, Mount) or (isinstance(route, Route) and "GET" in (route.methods or ()))
    }
    assert found - NO_SHEETS == set(SHEETS), "enter the new sheet in everysheet.py"
    assert all(SHEETS.values())


@pytest.mark.long
@pytest.mark.parametrize("look", FIRST, ids=[look.name for look in FIRST])
def test_no_rule_of_axe_is_broken(browser: Browser, states: dict[str, Served], look: Look) -> None:
    no_rule_is_broken(browser, states[look.state], look)
