"""What is kept of each rig that publishes, and what of it wants somebody; no broker is needed."""

import json
from collections.abc import Mapping
from math import inf

import pytest

from longsoak.core.wording import rfc3339
from longsoak.vocabulary.alarm import AlarmState, Priority
from longsoak_dashboards.shop import book
from longsoak_dashboards.shop.book import Book, Heard, News, Rig
from longsoak_dashboards.shop.hearing import Line
from longsoak_dashboards.view.shop import SILENT, Rank, Row, ShopPage, shop_page

NOW = 1_777_885_200_000
UP = Line("broker.example:1883", up=True, since_ms=NOW)


class Shop:
    """A book that is told things, at times that a test chooses."""

    def __init__(self) -> None:
        self.book = Book()
        self.now_ms, self.running = NOW, 1000.0

    def later(self, seconds: float) -> None:
        self.now_ms += round(1000 * seconds)
        self.running += seconds

    def state(
        self, prefix: str = "shop/a", *, kept: bool = False, behind: float = 0.0, **said: object
    ) -> Heard:
        """A state, written `behind` s ago."""
        return self.hear(f"{prefix}/state", self.said(behind=behind, **said), kept=kept)

    def said(self, *, behind: float = 0.0, **said: object) -> Mapping[str, object]:
        usual = {
            "rig": "bench a", "page": "http://a.example:8460/", "state": "recording",
            "since": rfc3339(NOW - 3_600_000),
            "written": rfc3339(self.now_ms - round(1000 * behind)), "newest_scan_age_s": 4.0,
            "scans": 7, "run": "0" * 12, "oldest_fine_s": 180.0,
            "again_within_s": 65.0, "boot": "boot of a",
            "standing": {"high": 0, "medium": 0, "low": 0},
            "pump_dry_days": {"days": 12.5, "low": 9.0, "high": 20.0}, "invented": True,
        }  # fmt: skip
        return {**usual, **said}

    def alarm(self, key: str = "overfill:tray", prefix: str = "shop/a", **said: object) -> Heard:
        usual = {
            "rig": "bench a", "alarm": key, "title": f"title of {key}", "standing": True,
            "state": AlarmState.NEW, "hiding": None, "priority": "high", "at": rfc3339(NOW),
            "at_known": True,
        }  # fmt: skip
        return self.hear(f"{prefix}/alarms/{key}", {**usual, **said})

    def hear(self, topic: str, said: object, *, kept: bool = False) -> Heard:
        payload = said if isinstance(said, bytes) else json.dumps(said).encode()
        return self.book.hear(topic, payload, kept=kept, now_ms=self.now_ms, running=self.running)

    def rig(self, prefix: str = "shop/a") -> Rig:
        return next(rig for rig in self.book.shop().rigs if rig.prefix == prefix)

    def page(self, line: Line = UP) -> ShopPage:
        return shop_page(self.book.shop(), line, now_ms=self.now_ms, running=self.running)

    def row(self, prefix: str = "shop/a") -> Row:
        return next(r for group in self.page().groups for r in group.rows if r.prefix == prefix)


def words(row: Row) -> str:
    return " ".join(row.says).replace("&#39;", "'")


def test_a_rig_that_records_without_an_alarm_is_well() -> None:
    shop = Shop()
    assert shop.state() == (News.SEEN, "shop/a")
    row = shop.row()
    assert (row.rank, row.word, row.says, row.alarms, row.more) == (
        Rank.WELL,
        "recording",
        (),
        (),
        "",
    )
    assert (row.days, row.range, row.page) == ("12", "9 to 20", "http://a.example:8460/")
    assert 'data-age="4"' in row.age
    assert shop.page().lead == "The one rig is recorded, and no alarm stands there."
    shop.later(60)
    assert shop.state() == (News.AGES, None)  # nothing is seen of that but ages
    assert shop.state(standing={"high": 0, "medium": 1, "low": 0}).news is News.SEEN


def test_alarms_are_known_by_name_and_those_that_somebody_hid_do_not_count() -> None:
    shop = Shop()
    shop.state()
    shop.alarm("low:tray", priority="medium")
    shop.alarm()
    shop.alarm("leak", state=AlarmState.ACKNOWLEDGED)
    shop.alarm("silent:T1", hiding="shelved")
    row = shop.row()
    assert [(a.title, a.words) for a in row.alarms] == [
        ("title of overfill:tray", "high, new"),
        ("title of leak", "high, acknowledged"),
        ("title of low:tray", "medium, new"),
    ]
    assert row.rank is Rank.URGENT
    shop.alarm("overfill:tray", standing=False, state=AlarmState.GONE)
    shop.alarm("leak", hiding="suppressed by another")
    assert shop.row().rank is Rank.MEDIUM
    assert shop.alarm("low:tray", standing=False).news is News.SEEN
    assert shop.alarm("low:tray", standing=False).news is News.NOTHING
    assert shop.row().rank is Rank.WELL


def test_alarms_that_are_counted_and_not_known_by_name_are_shown_and_asked_for_again() -> None:
    shop = Shop()
    counted = {"high": 1, "medium": 0, "low": 2}
    assert shop.state(standing=counted).ask == "shop/a"
    assert shop.row().more == "3: 1 high, 2 low"
    assert shop.row().rank is Rank.URGENT
    shop.alarm()
    assert shop.row().more == ""  # what was counted before says nothing any more
    assert shop.state(standing=counted).ask is None
    assert shop.row().more == "and 2 more: 2 low"
    shop.later(book.AGAIN + 1)
    assert shop.state(standing=counted).ask == "shop/a"
    assert shop.state(standing=counted).ask is None
    for number in range(book.MOST_ALARMS + 20):
        shop.alarm(f"silent:{number}", priority="low")
    assert len(shop.rig().alarms) == book.MOST_ALARMS


def test_what_a_broker_kept_makes_nothing_fresher() -> None:
    shop = Shop()
    shop.state(kept=True, behind=7200)
    row = shop.row()
    assert (row.rank, row.word) == (Rank.NOT_RECORDED, "silent")
    assert "It has told nothing for" in words(row)
    assert "2 h 00" in words(row)
    assert "2 h 00" in row.age
    shop.state()
    assert shop.row().word == "recording"
    same = shop.said()
    shop.later(120)
    assert shop.hear("shop/a/state", same, kept=True) == (News.NOTHING, None)
    shop.later(SILENT)
    assert "5 min" in words(shop.row())


def test_a_rig_that_says_nothing_any_more_is_not_shown_as_fine() -> None:
    shop = Shop()
    shop.state()
    shop.later(SILENT - 1)
    assert shop.row().rank is Rank.WELL
    shop.later(20)
    assert (shop.row().word, shop.row().rank) == ("silent", Rank.NOT_RECORDED)
    assert shop.page().lead == "The one rig wants somebody."


def test_old_data_are_told_of_a_rig_that_says_it_records() -> None:
    shop = Shop()
    shop.state(newest_scan_age_s=246.0)
    row = shop.row()
    assert (row.word, row.look, row.rank) == ("data old", True, Rank.NOT_RECORDED)
    assert words(row) == "4 min is the most for it."


def test_each_state_has_its_word_and_its_place() -> None:
    shop = Shop()
    shop.state("well")
    shop.state("stopped", state="stopped")
    shop.state("not", state="not recording")
    shop.state("cut", state="cut off", newest_scan_age_s=None, boot="x")
    shop.state("low", rig="low", standing={"high": 0, "medium": 0, "low": 1})
    shop.state("high", standing={"high": 1, "medium": 0, "low": 0})
    shop.state("dry soon", pump_dry_days={"days": 1.5, "low": 1.0, "high": None})
    page = shop.page()
    assert [[row.prefix for row in group.rows] for group in page.groups] == [
        ["high", "cut", "not", "low"],
        ["dry soon", "well"],
        ["stopped"],
    ]
    assert {row.word for group in page.groups for row in group.rows} == {
        *("recording", "cut off", "not recording", "stopped"),
    }
    assert page.lead == "Four of seven rigs want somebody."
    assert (shop.row("dry soon").days, shop.row("dry soon").range) == ("1.5", "1 or more")
    assert shop.row("cut").age == "not told"


def test_one_that_was_cut_off_keeps_what_was_known_of_it() -> None:
    shop = Shop()
    shop.state(standing={"high": 0, "medium": 1, "low": 0})
    shop.later(60)
    nothing = dict.fromkeys(("since", "newest_scan_age_s", "standing", "pump_dry_days"))
    shop.hear("shop/a/state", {**shop.said(behind=7200), "state": "cut off", **nothing})
    shop.later(30)
    row = shop.row()
    assert (row.word, row.days, row.more) == ("cut off", "12", "1: 1 medium")
    assert 'data-age="94"' in row.age
    assert 'told <span data-age="30">' in words(row)
    assert shop.rig().apart is None  # a will is old when it is told


def test_a_will_that_the_broker_kept_says_nothing_of_when() -> None:
    shop = Shop()
    shop.state(state="cut off", kept=True, behind=7200, newest_scan_age_s=None)
    assert (shop.row().word, shop.row().age) == ("cut off", "not told")
    assert "data-age" not in words(shop.row())


def test_two_rigs_under_one_prefix_are_told_as_long_as_they_take_turns() -> None:
    shop = Shop()
    shop.state()
    shop.later(30)
    shop.state(rig="bench b", boot="boot of b")
    assert shop.row().rank is Rank.WELL  # it may have been given another name
    shop.later(30)
    assert shop.state().news is News.SEEN
    row = shop.row()
    assert row.rank is Rank.TWO
    assert "bench a and bench b publish under this one prefix" in words(row)
    for _ in range(5):
        shop.later(60)
        shop.state()
    assert shop.row().rank is Rank.TWO
    shop.later(book.TWO_LAST)
    shop.state()
    assert shop.row().rank is Rank.WELL


def test_two_computers_with_one_rig_file_are_told_too() -> None:
    shop = Shop()
    for boot in ("one", "two", "one"):
        shop.state(boot=boot)
    assert "Two computers publish as bench a" in words(shop.row())


def test_a_rig_that_was_started_anew_is_no_second_one() -> None:
    shop = Shop()
    for number in range(12):
        shop.state(boot=f"boot {number}")
        shop.state(boot="will", state="cut off", newest_scan_age_s=None)
        assert shop.row().rank is not Rank.TWO
    assert len(shop.rig().former) <= book.FORMER
    shop.state(boot="boot 1", state="stopped")  # stopped here, and begun on the computer before
    shop.state(boot="boot 11")
    assert shop.row().rank is Rank.WELL


def test_alarms_of_another_rig_under_the_prefix_are_told_and_not_counted() -> None:
    shop = Shop()
    shop.state()
    shop.alarm(rig="bench z")
    row = shop.row()
    assert (row.alarms, row.rank) == ((), Rank.DOUBT)
    assert "Alarms of bench z lie under this prefix too" in words(row)


@pytest.mark.parametrize("ahead", [-90.0, 90.0])
def test_a_clock_that_is_wrong_is_told_and_makes_no_age(ahead: float) -> None:
    shop = Shop()
    shop.state(behind=-ahead)
    row = shop.row()
    assert row.rank is Rank.DOUBT
    way = "ahead of" if ahead > 0 else "behind"
    assert f"Its clock is 90 s {way} this computer's: one is wrong." in words(row)
    assert 'data-age="4"' in row.age


def test_what_is_dated_ahead_of_the_clock_is_not_taken_for_new() -> None:
    shop = Shop()
    shop.state(kept=True, behind=-7200)
    assert (shop.row().word, shop.row().rank) == ("not known", Rank.NOT_RECORDED)


@pytest.mark.parametrize(
    "payload",
    [
        *(b"on", b"[1]", b"\xff\xfe", b"{}", b"[" * 5000, b'{"rig": NaN}', b"null"),
        json.dumps({"rig": "x" * book.LARGEST}).encode(),
    ],
    ids=range(8),
)
def test_what_is_no_state_changes_nothing_and_is_counted(payload: bytes) -> None:
    shop = Shop()
    shop.state()
    assert shop.hear("lamp/state", payload) == (News.NOTHING, None)
    assert shop.hear("shop/a/state", payload) == (News.NOTHING, None)
    assert [rig.prefix for rig in shop.book.shop().rigs] == ["shop/a"]
    assert shop.page().notes == (
        "2 other topics end in /state there, with no state of a rig or one of another version.",
    )
    shop.state()
    assert shop.book.shop().strange == 1


@pytest.mark.parametrize("number", [inf, -1.0, 1e11, "many", [1], None])
@pytest.mark.parametrize("key", ["newest_scan_age_s", "oldest_fine_s", "again_within_s"])
def test_a_state_with_a_number_that_can_not_be_is_none(key: str, number: object) -> None:
    shop = Shop()
    text = json.dumps({**shop.said(), key: number}).replace("Infinity", "1e999")
    shop.hear("shop/a/state", text.encode())
    expected = 1 if key == "newest_scan_age_s" and number is None else 0
    assert len(shop.book.shop().rigs) == expected
    shop.page()


@pytest.mark.parametrize(
    "page",
    [
        *("javascript:alert(1)", "http://", "http://[::1", "data:text/html,x", 7, None, "/x"),
        *(f"http://{'a' * 600}", "http://a.example/\n"),
    ],
)
def test_only_a_web_address_is_made_a_link(page: object) -> None:
    shop = Shop()
    shop.state(page=page)
    assert shop.row().page is None
    assert "write <code>page</code> in [rig]" in words(shop.row())


@pytest.mark.parametrize(
    "days", [None, "soon", {"days": -1, "low": 0}, {"days": 3}, {"days": True, "low": 1}, {}]
)
def test_days_that_are_not_told_are_not_known(days: object) -> None:
    shop = Shop()
    shop.state(pump_dry_days=days)
    assert shop.row().days == ""


def test_a_state_of_an_earlier_version_is_shown_without_what_it_does_not_say() -> None:
    shop = Shop()
    said = {k: v for k, v in shop.said().items() if k not in ("page", "pump_dry_days")}
    shop.hear("shop/a/state", said)
    assert (shop.row().rank, shop.row().page, shop.row().days) == (Rank.WELL, None, "")


def test_an_empty_message_takes_a_rig_away() -> None:
    shop = Shop()
    shop.state()
    assert shop.hear("shop/a/state", b"").news is News.SEEN
    assert shop.book.shop().rigs == ()
    assert shop.hear("shop/a/alarms/x", b"{}").news is News.NOTHING
    assert shop.page().lead == "No rig has told this broker anything yet."


def test_no_more_is_kept_than_is_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(book, "MOST_RIGS", 5)
    shop = Shop()
    for number in range(8):
        shop.state(f"shop/{number}", rig="n" * 5000)
    page = shop.page()
    assert sum(len(group.rows) for group in page.groups) == 5
    assert page.notes[0].startswith("3 rigs more than these pages hold")
    assert {len(rig.told.rig) for rig in shop.book.shop().rigs} == {book.LONGEST}
    for number in range(2 * book.STRANGE):
        shop.hear(f"lamp/{number}/state", b"on")
    assert shop.book.shop().strange == book.STRANGE


def test_a_broker_that_is_away_is_told_with_since_when_and_why() -> None:
    shop = Shop()
    shop.state()
    away = Line("broker.example:1883", up=False, since_ms=NOW - 240_000, why="Connection refused")
    said = shop.page(away).away
    assert said is not None
    assert "The broker at broker.example:1883 has been away since" in said
    assert ">4 min</span>): Connection refused." in said
    never = Line("broker.example:1883", up=False, since_ms=None)
    assert "for the first time" in (shop.page(never).away or "")
    assert shop.page().away is None
    deaf = Line("b:1", up=True, since_ms=NOW, why="it does not let this user hear all")
    assert "is there, but it does not let" in (shop.page(deaf).away or "")


def test_priorities_of_alarms_that_the_rig_file_has_no_longer_are_low() -> None:
    shop = Shop()
    shop.state()
    shop.alarm(priority=None)
    assert [alarm.priority for alarm in shop.rig().alarms.values()] == [Priority.LOW]
    shop.alarm("other", priority="dire")
    assert len(shop.rig().alarms) == 1
