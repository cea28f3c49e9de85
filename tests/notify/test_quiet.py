"""A person's quiet hours, against a real mail server and a real record."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from longsoak.notify.digest import DailyDigest
from longsoak.notify.mail import MailCarrier
from longsoak.notify.notice import Carried, Notice
from longsoak.notify.route import RouteNotices
from longsoak.store.noticerecord import held_cursor
from longsoak.vocabulary.destinations import Mail
from longsoak.vocabulary.errors import PartlyError
from longsoak.vocabulary.notices import Person, Quiet, Route, Way
from notify.routing import Clocks, Told, a_route
from rigs import GONE, NEW, NORMAL, Keeper, small_rig
from servers import HOST, Mailbox, mail_server

HIGH, MEDIUM = "overfill: water level", "silent: C 30/60"
PARIS = ZoneInfo("Europe/Paris")
MK = Person("mk", ("mk@example.org",), quiet=Quiet(22 * 60, 7 * 60))
ROUTE = Route("mail to mk", Way.MAIL, MK)
RIG = small_rig(name="pair")
LATE = round(datetime(2026, 10, 24, 21, tzinfo=UTC).timestamp() * 1000)  # 23:00 in Paris


def route(keeper: Keeper, box: Mailbox, now: Clocks, told: Told | None = None) -> RouteNotices:
    settings = Mail(HOST, box.port, "rig@example.org", (), False, None, None)
    carrier = MailCarrier(settings, ("mk@example.org",), password=None)
    return a_route(
        ROUTE, keeper.record, RIG, carrier, now=now, told=told, keeper=keeper, zone=PARIS
    )


def subjects(box: Mailbox) -> list[str]:
    return [str(mail["Subject"]) for mail in box.mails]


def test_at_night_only_what_is_high_goes_and_the_rest_in_one_mail_in_the_morning(
    tmp_path: Path,
) -> None:
    now, told = Clocks(LATE), Told()
    with mail_server() as box, Keeper(tmp_path, RIG, start_ms=LATE) as keeper:
        outlet = route(keeper, box, now, told)
        keeper.change(MEDIUM, NORMAL, NEW, says="no answer")
        keeper.change(MEDIUM, NEW, GONE, says="it answers")
        assert outlet.step(0) == 2
        assert box.mails == []
        keeper.change(HIGH, NORMAL, NEW)
        assert outlet.step(2) == 3
        assert subjects(box) == ["High priority, pair: water above the stop line"]
        keeper.change(HIGH, NEW, GONE)
        keeper.change(MEDIUM, GONE, NEW, says="no answer")
        assert outlet.step(3) == 5
        # The clock went back that night: seven in the morning is ten hours after 22:00.
        now.utc = round(datetime(2026, 10, 25, 5, 59, 59, tzinfo=UTC).timestamp() * 1000)
        assert outlet.step(5) == 5
        assert len(box.mails) == 2
        now.wait(1.0)
        assert outlet.step(5) == 5
        assert subjects(box)[2:] == ["pair: C 30/60 is silent"]
        text = str(box.mails[2].get_content())
        assert text.startswith("Held back during your quiet hours:")
        assert "water above" not in text
        assert outlet.step(5) == 5
        assert len(box.mails) == 3
        assert [kind for kind, _ in told.events] == ["notice", "notice", "notice", "held back"]


def test_what_came_and_went_at_night_is_one_line(tmp_path: Path) -> None:
    now = Clocks(LATE)
    with mail_server() as box, Keeper(tmp_path, RIG, start_ms=LATE) as keeper:
        outlet = route(keeper, box, now)
        for _ in range(3):
            keeper.change(MEDIUM, NORMAL, NEW)
            keeper.change(MEDIUM, NEW, NORMAL)
        assert outlet.step(0) == 6
        now.wait(10 * 3600)
        assert outlet.step(6) == 6
        (mail,) = box.mails
        lines = [line for line in str(mail.get_content()).splitlines() if "silent" in line]
        assert lines == [
            "C 30/60 is silent: came 24 Oct 2026, 21:00:01 UTC, over 24 Oct 2026, 21:00:06 UTC"
        ]


def test_a_restart_at_night_forgets_nothing_that_is_held_back(tmp_path: Path) -> None:
    now = Clocks(LATE)
    with mail_server() as box, Keeper(tmp_path, RIG, start_ms=LATE) as keeper:
        keeper.change(MEDIUM, NORMAL, NEW)
        assert route(keeper, box, now).step(0) == 1
        assert keeper.record.cursor(held_cursor(ROUTE.name)) == 1
        keeper.change(HIGH, NORMAL, NEW)
        again = route(keeper, box, now)
        assert again.step(1) == 2
        now.wait(10 * 3600)
        assert route(keeper, box, now).step(2) == 2
        assert len(box.mails) == 2
        assert keeper.record.cursor(held_cursor(ROUTE.name)) == 0
        now.wait(3600)
        assert route(keeper, box, now).step(2) == 2
        assert len(box.mails) == 2


class Losing:
    """A carrier whose first answers are lost."""

    def __init__(self, times: int) -> None:
        self.times = times
        self.subjects: list[str] = []

    def carry(self, notice: Notice) -> Carried:
        self.subjects.append(notice.subject)
        if self.times:
            self.times -= 1
            raise PartlyError("the answer was lost", some_took=False)
        return Carried(True)

    def probe(self) -> None: ...

    def close(self) -> None: ...


def test_quiet_hours_that_begin_while_an_answer_is_lost_hold_nothing_high_back(
    tmp_path: Path,
) -> None:
    now, carrier = Clocks(LATE - 2 * 3_600_000), Losing(1)
    with Keeper(tmp_path, RIG, start_ms=LATE) as keeper:
        outlet = a_route(ROUTE, keeper.record, RIG, carrier, now=now, keeper=keeper, zone=PARIS)
        keeper.change(MEDIUM, NORMAL, NEW)
        with pytest.raises(PartlyError):
            outlet.step(0)
        now.wait(2 * 3600)
        keeper.change(HIGH, NORMAL, NEW)
        assert outlet.step(0) == 2
        assert carrier.subjects[1:] == ["High priority, pair: water above the stop line"]
        # What nobody knows to have come goes in the morning; the high one does not go again.
        now.wait(10 * 3600)
        carrier.times = 1
        with pytest.raises(PartlyError):
            outlet.step(2)
        assert outlet.step(2) == 2
        assert carrier.subjects[2:] == ["pair: C 30/60 is silent"] * 2


def test_who_gives_up_quiet_hours_is_told_what_was_held_back(tmp_path: Path) -> None:
    now = Clocks(LATE)
    with mail_server() as box, Keeper(tmp_path, RIG, start_ms=LATE) as keeper:
        keeper.change(MEDIUM, NORMAL, NEW)
        assert route(keeper, box, now).step(0) == 1
        to = Route(ROUTE.name, Way.MAIL, replace(MK, quiet=None))
        settings = Mail(HOST, box.port, "rig@example.org", (), False, None, None)
        carrier = MailCarrier(settings, MK.mail, password=None)
        assert a_route(to, keeper.record, RIG, carrier, now=now).step(1) == 1
        assert len(box.mails) == 1


def test_while_the_clock_is_not_known_nothing_is_held_back(tmp_path: Path) -> None:
    now = Clocks(LATE, known=False)
    with mail_server() as box, Keeper(tmp_path, RIG, start_ms=LATE) as keeper:
        keeper.change(MEDIUM, NORMAL, NEW)
        assert route(keeper, box, now).step(0) == 1
        assert len(box.mails) == 1


def test_the_daily_mail_tells_what_is_and_was_held_back(tmp_path: Path) -> None:
    rig = replace(RIG, people=(MK,), mail=Mail(HOST, 1, "a@b", (), False, None, None))
    now = Clocks(LATE)

    def digest() -> str:
        due = DailyDigest(
            keeper.record,
            rig,
            at=0,
            utc_ms=now.utc_ms,
            synchronised=now.synchronised,
            sent=lambda _: None,
        ).due()
        assert due is not None
        return due.text

    with mail_server() as box, Keeper(tmp_path, RIG, start_ms=LATE) as keeper:
        outlet = route(keeper, box, now)
        keeper.change(MEDIUM, NORMAL, NEW)
        assert "Held back" not in digest()
        outlet.step(0)
        assert (
            "Held back during quiet hours:\n  mail to mk, waiting: C 30/60 is silent\n" in digest()
        )
        now.wait(10 * 3600)
        outlet.step(1)
        text = digest()
        assert "waiting" not in text
        assert "mail to mk, 24 Oct 2026, 21:00:01 UTC: until the quiet hours were over:" in text
