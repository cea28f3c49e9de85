"""What a screen reader is given of the sheets looked at most, in the order in which it reads them.

Snapshots are of Chromium's own accessibility tree. They name what has to be there; what else is
read between does not matter to them.
"""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from pages.inbrowser import page_of
from pages.staterigs import STATES

pytestmark = pytest.mark.long

SECTION = r"""
- link "To the list of sheets"
- main:
  - heading /Section render pair · read .* · all invented/ [level=1]
  - paragraph: /All 33 probes are good\. The water stands 38 mm under the specimen/
  - figure /^Section A.A · cork-lime bay$/:
    - group /^Section A.A through bay cork-lime, to scale; the table below holds the same/:
      - 'link /^cork-lime 30\/360: 16\.2 % WME, pass, \d+ s$/'
      - 'link /^cork-lime 90\/360: 13\.6 % MC, pass, \d+ s$/'
    - paragraph: /No wash in cork-lime render/
  - figure /^Section B.B · plain lime bay$/
  - region /^Since/:
    - slider "Time that is shown"
    - group "Back and forth in time":
      - link "earlier"
      - button "play"
    - textbox "time, UTC"
    - button "show"
  - complementary:
    - heading "Elsewhere" [level=2]
    - list:
      - listitem: /58 % RH air wet RH air, wet face/
- contentinfo:
  - navigation "Sheets":
    - link "Section sheet 1"
    - link "Water sheet 2"
    - link "Traces sheet 3"
    - link "Alarms sheet 4"
    - link "Logbook sheet 5"
"""
ALARMS = r"""
- main:
  - heading /^Alarms render pair/ [level=1]
  - paragraph: /Two alarms stand, one is over and not acknowledged/
  - region "Standing, 2":
    - list:
      - listitem:
        - heading "Low water, catch tray" [level=3]
        - heading "If nothing is done" [level=4]
        - heading "Do" [level=4]
        - list:
          - listitem: /Mains near water can kill/
        - heading "Time left" [level=4]
        - textbox "Your initials"
        - group: Shelve
      - listitem:
        - heading "No reading, plain lime 170/260" [level=3]
        - paragraph: no answer
        - textbox "Your initials"
        - button "Acknowledge"
  - region "Gone, not settled, 2"
- contentinfo:
  - navigation "Sheets":
    - link "Alarms 2 stand"
"""
WATER = r"""
- main:
  - heading /^Water render pair/ [level=1]
  - paragraph:
    - link /^Two alarms stand/
  - region "it fits":
    - heading [level=2]:
      - status: it fits
    - paragraph: 10.6 litres fit
    - term: clearance
    - definition: 38 mm
    - textbox "Your initials"
    - button "Begin a top-up"
    - 'img "Water column: 72 mm, stop line 100 millimetres, specimen''s underside 110"'
  - 'img "The tray in cross-section: water 72 ± 2 mm, clearance 38 ± 2 mm"'
  - heading "Days to dry" [level=2]
"""


@pytest.mark.parametrize(
    ("state", "sheets"),
    [("quiet", {"/": SECTION}), ("busy", {"/alarms": ALARMS, "/water": WATER})],
)
def test_it_is_read_in_the_order_in_which_it_is_meant(
    tmp_path: Path, browser: Browser, state: str, sheets: dict[str, str]
) -> None:
    with STATES[state](tmp_path) as served, page_of(browser, served) as page:
        for address, aloud in sheets.items():
            page.goto(address)
            expect(page.locator("body")).to_match_aria_snapshot(aloud)
