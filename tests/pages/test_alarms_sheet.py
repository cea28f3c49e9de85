"""What the alarms sheet says of floods and chatter, and in which units, in a real browser."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from longsoak.vocabulary.alarm import AlarmState
from pages.inbrowser import looks_well, page_of, views
from pages.pagerig import DAY_MS, Kept, change, keep, rig_text
from pages.serving import now_ms, serve
from processes import longsoak

NORMAL, NEW, DONE = AlarmState.NORMAL, AlarmState.NEW, AlarmState.ACKNOWLEDGED
HOT = "room too hot:air dry T"
ROOM = '\n[room]\ntemperature = "air dry T"\nhumidity = "air dry RH"\n'
# ISA-18.2 and EEMUA 191, second hand (see longsoak.core.alarmrates): more than 10 in 10 min are a
# flood, 3 or more of one alarm in a minute are chatter.
FLOOD, CHATTERS = 10, 3


def plain(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


@pytest.fixture
def flooded(tmp_path: Path) -> Iterator[Kept]:
    """Two days ago 11 probes fell silent within 10 min, and the room's alarm came 4 times."""
    now = now_ms()
    begin = now - 2 * DAY_MS
    text = rig_text() + ROOM
    silent = re.findall(r'name = "(plain lime \d+/\d+)"', text)[: FLOOD + 1]
    changes = [
        change(f"silent:{name}", begin + 50_000 * n, NORMAL, NEW, says="no answer")
        for n, name in enumerate(silent)
    ]
    for n in range(CHATTERS + 1):
        at = now - DAY_MS + 15_000 * n
        changes.append(change(HOT, at, NORMAL, NEW, value=35.0, says="35.0 °C"))
        changes.append(change(HOT, at + 5000, NEW, NORMAL if n < CHATTERS else NEW, value=29.0))
    kept = keep(
        tmp_path / "rig", text=text, times=[now - 900_000, now - 1000], now_ms=now, changes=changes
    )
    yield kept
    kept.close()


def test_a_flood_and_what_chattered_are_told_with_the_published_rates(
    flooded: Kept, browser: Browser
) -> None:
    with serve(flooded.rig_file) as served:
        said = plain(served.get("/alarms").text)
        assert "1 flood in the last 30 days, the last at" in said
        assert "at most 11 alarms came within 10 min" in said
        assert "a flood is more than 10 (ISA-18.2, EEMUA 191)" in said
        assert re.search(r"Chattered: room too hot[^;]*\(4 times, the last", said, re.IGNORECASE)
        assert "chatters that comes 3 times or more within 60 s (ISA-18.2, EEMUA 191)" in said
        with page_of(browser, served, size="phone") as page:
            page.goto("/alarms")
            looks_well(page, "alarms-flood")
            views(page, "alarms-flood")
    listed = longsoak("ack", "--rig", flooded.rig_file).stdout
    assert "1 flood in the last 30 days" in listed
    assert f"Chattered: {HOT} (4 times" in listed


def test_a_flood_that_goes_on_is_told_as_one(tmp_path: Path) -> None:
    now = now_ms()
    names = re.findall(r'name = "(plain lime \d+/\d+)"', rig_text())[: FLOOD + 1]
    changes = [
        change(f"silent:{name}", now - 60_000 + 1000 * n, NORMAL, NEW)
        for n, name in enumerate(names)
    ]
    kept = keep(tmp_path / "rig", times=[now - 1000], now_ms=now, changes=changes)
    with serve(kept.rig_file) as served:
        assert "A flood now, since" in plain(served.get("/alarms").text)
    kept.close()


def test_ten_within_ten_minutes_and_two_within_a_minute_are_neither(tmp_path: Path) -> None:
    now = now_ms()
    names = re.findall(r'name = "(plain lime \d+/\d+)"', rig_text())[: FLOOD - 1]
    begin = now - DAY_MS
    changes = [change(f"silent:{name}", begin + n, NORMAL, NEW) for n, name in enumerate(names)]
    changes.append(change(f"silent:{names[0]}", begin + 20_000, NEW, NORMAL))
    changes.append(change(f"silent:{names[0]}", begin + 40_000, NORMAL, NEW))
    kept = keep(tmp_path / "rig", times=[now - 1000], now_ms=now, changes=changes)
    with serve(kept.rig_file) as served:
        said = plain(served.get("/alarms").text)
    assert "No flood in the last 30 days: at most 10 alarms came within 10 min" in said
    assert "None chattered" in said
    listed = longsoak("ack", "--rig", kept.rig_file).stdout
    assert "flood" not in listed
    kept.close()


def test_a_temperature_is_in_degrees_as_people_write_them(flooded: Kept) -> None:
    with serve(flooded.rig_file) as served:
        said = plain(served.get("/alarms").text)
    assert "setpoint 32 °C" in said
    assert "35 °C" in said
    assert not re.search(r"\bCel\b", said)
    assert not re.search(r"\bCel\b", longsoak("now", flooded.rig_file).stdout)
