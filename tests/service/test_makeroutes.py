"""Routes of notices as a rig file sets them up, with their secrets in files, to real servers."""

import queue
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from longsoak.service.clock import SystemClock
from longsoak.service.makeoutlets import make_outlets, start_new_ones
from longsoak.service.messages import CursorMoved, Happened, News, OutletNews, Refuses
from longsoak.store.readback import ReadBack
from longsoak.vocabulary.notices import Person, Webhook
from longsoak.vocabulary.rig import Rig
from rigs import NEW, NORMAL, Keeper, small_rig
from scripted import Answer, Asked, scripted_server
from servers import make_certificates
from waiting import wait_for

# What the library apprise itself imports on this Python.
pytestmark = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")

HIGH = "overfill: water level"


def taken(_asked: Asked) -> Answer:
    return 200, ""


@contextmanager
def going(keeper: Keeper, rig: Rig, beside: Path) -> Iterator[list[News]]:
    """All routes of a rig for the length of a block; what they say."""
    news: queue.SimpleQueue[News] = queue.SimpleQueue()
    outlets = make_outlets(
        rig,
        beside,
        record=keeper.record,
        clock=SystemClock(),
        software="0",
        since_ms=SystemClock().utc_ms(),
        measured=ReadBack(keeper.record.folder).newest_measured,
        put=news.put,
    )
    start_new_ones(keeper.writer, keeper.record, outlets, utc_ms=0)
    keeper.change(HIGH, NORMAL, NEW, says="112 mm")
    for outlet in outlets:
        outlet.start()
    told: list[News] = []
    try:
        yield told
    finally:
        for outlet in outlets:
            outlet.stop()
        for outlet in outlets:
            outlet.join(20)
        while not news.empty():
            told.append(news.get())


def test_each_way_takes_its_secrets_from_its_files_and_has_a_cursor_of_its_own(
    tmp_path: Path,
) -> None:
    made = make_certificates(tmp_path)
    both = tmp_path / "both.pem"
    both.write_bytes(made.server.read_bytes() + made.server_key.read_bytes())
    with (
        scripted_server(taken, certificate=both) as sealed,
        scripted_server(taken) as plain,
        Keeper(tmp_path / "record", small_rig()) as keeper,
    ):
        (tmp_path / "hook").write_text(f"{sealed.url}/all\n")
        (tmp_path / "headers").write_text("# a token\nAuthorization: Bearer t\n")
        (tmp_path / "mk").write_text(f"{plain.url}/mk")
        services = f"# mine\n\njson://127.0.0.1:{plain.server_port}/services\n"
        (tmp_path / "services").write_text(services)
        mk = Person("mk", webhook_file="mk", apprise_file="services")
        rig = small_rig(name="pair")
        rig = replace(rig, webhook=Webhook("hook", "headers", "ca.pem"), people=(mk,))
        with going(keeper, rig, tmp_path) as told:
            wait_for(lambda: sealed.asked and len(plain.asked) == 2, what="all three")
        assert sealed.asked[0].path == "/all"
        assert sealed.asked[0].headers["Authorization"] == "Bearer t"
        assert {one.path for one in plain.asked} == {"/mk", "/services"}
        names = {"webhook", "webhook to mk", "apprise to mk"}
        assert {one.outlet for one in told if isinstance(one, Happened)} == names
        assert {one.outlet for one in told if one == CursorMoved(one.outlet, 1)} == names
        assert {one.says for one in told if isinstance(one, Refuses)} == {None}


def test_a_way_that_can_not_be_made_says_why_and_the_others_go_on(tmp_path: Path) -> None:
    with (
        scripted_server(taken) as plain,
        Keeper(tmp_path / "record", small_rig()) as keeper,
    ):
        (tmp_path / "well").write_text(plain.url)
        (tmp_path / "clear").write_text("http://example.org/token-1234")
        (tmp_path / "odd").write_bytes(b"\xff\xfe")
        people = (
            Person("a", webhook_file="well"),
            Person("b", webhook_file="none"),
            Person("c", webhook_file="clear"),
            Person("d", webhook_file="odd"),
            Person("e", apprise_file="clear"),
        )
        rig = replace(small_rig(name="pair"), people=people)
        with going(keeper, rig, tmp_path) as told:
            wait_for(lambda: plain.asked, what="the one that is well")
        away = {
            one.outlet: one.away
            for one in told
            if isinstance(one, OutletNews) and one.away is not None
        }
        for outlet, says in (
            ("webhook to b", "can't be read: No such file or directory"),
            ("webhook to c", "is not https"),
            ("webhook to d", "is no text in UTF-8"),
            ("apprise to e", "address 1 in apprise_file is none"),
        ):
            assert says in (away.pop(outlet) or "")
        assert away == {}
        assert not any("token-1234" in str(one) for one in told)
